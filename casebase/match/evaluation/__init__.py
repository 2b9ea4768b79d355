"""How well a collection finds its own solved cases, and the weights fitted to it."""
