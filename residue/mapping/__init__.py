"""The mapping graph: signals, the node protocol, graph and form."""
