"""Photos in: the only decoder, the time taken, and a folder as ordered views."""
