"""File to Recording: the lazy model, the readers, the setup file."""
