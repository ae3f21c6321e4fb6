"""The panel description: what the builder writes, checked, and turned into the running parts."""
