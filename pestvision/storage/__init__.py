"""The data folder: a database and picture files; the only room that imports sqlite3."""
