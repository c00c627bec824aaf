"""The engine: one thread that renders a block, sends it through the cap and writes it."""
