"""Routine checks of the stations: what is due, and the log of what was done.

What is to be checked, how often, and whether the station stops for it stands in the shop's description
(`layout.shop.upkeep.Routine`). The log is append-only; what is due is read off its newest entries, the
station's meter and the shop's clock, and stored nowhere.
"""
