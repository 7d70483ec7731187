"""Orders in: checked, taken whole, held with their reasons, amended, approved, cancelled.

check (a question, nothing stored) | take_order (checks, then stores) -> orders (everything after that)
"""
