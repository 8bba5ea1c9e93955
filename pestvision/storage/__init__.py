"""What is kept on disk: the database and the pictures. The only room that knows SQLite."""
