"""Every picture of README and the guides, made by one command: `python -m tests.pictures`.

Drawn ones (`drawn`, `architecture`) come out the same on every run, and a test compares them; pages (`taken`)
are photographed in a real browser on a made-up day, where there is one.
"""
