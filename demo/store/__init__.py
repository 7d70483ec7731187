"""The web store of the made-up shop: one product page, a basket, an order's page. It sells nothing.

It shows how a store is plugged in, and knows of the service only what any store's program knows: the page's
component, `service.client`, and signed callbacks.
"""
