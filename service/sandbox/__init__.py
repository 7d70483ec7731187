"""What the shop's people do with an order, done by its store itself in the sandbox, so that its program meets
every state and every event.

The states move as they do at the bench and at packing, by the same guarded moves and with the same history,
only without loads, plates and lasers.
"""
