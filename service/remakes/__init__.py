"""Units made once more after they were released, what becomes of the first, and what was spoiled why.

A unit that has not left is scrapped at packing, and another is made in its order. One that has left stays
what it is on record, handed over; another is made by an order of its own, which then goes the way of any
order. In both cases a `remake` says why, who pays, and where the first unit went.
"""
