"""Who asks, in what shape, and answered once: keys and signed-in browsers, bodies as values, idempotency.

A request passes through here before any use case sees it. Its key becomes a `Who` (`keys`, `sessions`), its
JSON a frozen value (`order_in`, `inscriptions`), and a POST that creates is answered once for its
`Idempotency-Key`: a store that lost our answer to a broken line sends the order again and gets the same
answer, not a second order.
"""
