"""A piece is heard while it is written: from any place, and each edit at the place where it is."""
