"""The catalogue of nodes, one module a family."""
