"""Orders in: checked, taken whole, held with their reasons, amended, approved, cancelled.

check      a question: can this be engraved? Nothing is stored
take_order a request to take or amend an order: geometry first, outside any transaction, then one transaction
taking     what that transaction writes: lines, frozen outlines, one job a unit
orders     everything that is done with a stored order: amended, approved, cancelled; no geometry
line_holds what a line waits for, and which act of whom ends it
homeless   accepted units that no longer fit, because the shop's description has changed since

A paid order is never dropped: what can't be engraved is stored and held with its findings, for the desk.
"""
