"""Between shops and a hub over the network: the service that takes in bundles, and the client that sends them."""
