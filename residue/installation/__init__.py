"""The three files of an installation, read and checked into one object."""
