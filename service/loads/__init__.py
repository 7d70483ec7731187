"""One load: its contents, who holds it, its repeats; what waits at a station; lots of bare blades.

A load is one filling of one plate copy at one station. An operator holds it by a lease; its ETag is made of a
fence (raised whenever it is granted) and a revision (raised whenever its contents change), so that a tablet
which slept can change nothing. The operator's acts themselves are in `service.bench`; here is what they all
stand on.
"""
