"""The SQLite library: the records and their revisions, tables made from them, full text, integrity."""
