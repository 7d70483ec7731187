"""Looks whether what is on record can be true: nothing burned twice, nothing lost, all adds up.

It reads, from one moment of a live database, and changes nothing. Each rule is a query that finds what breaks
it (`damage_rows`) and a sentence (`rules`); burn files are built again and compared by digest (`files`).
"""
