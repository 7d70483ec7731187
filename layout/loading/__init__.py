"""What waits, and one load filled: which units sit in which slots of one plate, turn by turn.

`values` and `backlog` are what everybody may import; `matching` seats units so that late comers may move
others over but never push them out; `next_load` fills the best plate now; `planned_load` carries out a
load that was planned earlier, as far as it still holds.
"""
