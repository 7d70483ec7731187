"""What makes a station trustworthy: test cards that prove a process, measurements of where a plate lies.

A recipe on paper is no proof: somebody burns a test card with it, looks at it and records it; from then on
the process may be used, until the recipe changes or the proof is withdrawn. A plate's place on paper is none
either: somebody drives the pointer to its marks and records where they are. Both records are only ever added
to.
"""
