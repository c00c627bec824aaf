"""Lamps that follow the piece, under a cap on flashes of their own, by ANSI E1.31."""
