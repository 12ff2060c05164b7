"""The edges: each file wraps one outside thing and imports no other edge; heavy libraries load inside functions."""
