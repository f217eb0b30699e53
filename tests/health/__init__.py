"""How the service says of itself how it is, over HTTP."""
