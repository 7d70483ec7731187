"""What is decided about a connection and a request before any route sees it: how long it may take to arrive,
whether its body is worth reading, whether there is room for it."""
