"""Pages for bench, desk, board and owner: rendered here, kept live by server-sent events.

Every page works with plain forms and links. The script (`static/pages.js`) only saves waiting: it swaps the
middle of the page instead of the whole, listens for changes, and types what a scanner reads into the right
field.
"""

#: Where somebody without a key may send a form: how these addresses begin.
OPEN = ("/sign-in", "/sign-out", "/proof/")
