"""Can this be engraved there, and what else could be?

The check collects every finding at once: about the request, the words, the size, what the line can make,
and how several marks go together. What it accepts it also draws, frozen to 0.1 µm; what it refuses it
answers with suggestions that pass the same check.
"""
