"""Handing a whole installation on: packed into one sealed file, and unpacked in another house."""
