"""Packing: an order's boxes gathered on a shelf, and handed over to the carrier when all of them are there.

A box is gathered by scanning its unit's label. The first one of an order of several units is given a free
shelf of the packing rack, which is that order's until it is handed over; `hand_over` ends the order, and the
store is told. Whatever belongs elsewhere is refused in words that can be read across the room. Jobs stay
`released` throughout: `job.gathered_at` says that packing has the box, `orders.handed_over_at` that it left.
"""
