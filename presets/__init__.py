"""Data that comes with the program, read by importlib.resources. All builds are our own
invention; every number carries where it is from."""
