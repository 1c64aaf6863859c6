"""One reader a file format; the registry in open.py knows them by suffix."""
