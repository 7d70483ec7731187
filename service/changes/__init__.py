"""A change of the shop's description, before and when it is put in force: which units that wait would be
judged differently by it, which could not be engraved any more, and the one way in which pages, programs and
commands put it in force.
"""
