"""Who asks, in what shape, and answered once: keys and signed-in browsers, bodies as values, idempotency."""
