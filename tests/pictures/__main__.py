"""Makes the pictures: `python -m tests.pictures`, then look at what changed."""

from __future__ import annotations

import sys

from service.pages.guides import FOLDER
from tests.pictures.architecture import architecture
from tests.pictures.drawn import drawn
from tests.pictures.guided import guided
from tests.pictures.taken import CHROMIUM, taken

pictures = FOLDER / "pictures"
pictures.mkdir(exist_ok=True)
(pictures / "architecture.svg").write_text(architecture(), encoding="utf-8")
made = drawn() | guided()
if CHROMIUM is None:
    print("NOT MADE: the pictures of pages, because there is no chromium here", file=sys.stderr)
else:
    made |= taken()
for name, data in made.items():
    (pictures / name).write_bytes(data)
