"""The record of one site: an SQLite file. `record` is the only door; nothing else opens the file."""
