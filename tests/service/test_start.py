"""What a start of the web process leaves for whoever needs it: the first answers wait for all the rest."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from service.shop import catalogue
from service.shop.catalogue import loader

_HEAVY = {
    *("alembic", "celery", "cv2", "ezdxf", "httpx", "kombu", "llvmlite", "lxml", "markdown_it", "numba"),
    *("openpyxl", "psycopg", "redis", "scipy", "svgwrite", "yaml"),
}
_LOOK = """
import json, sys
import uvicorn
import service.app, service.running.assembly, service.shop.measured_behind, service.stock.import_stock
from service.requests.answers import AnswerBody

print(json.dumps([sorted(sys.modules), [made.__pydantic_complete__ for made in AnswerBody.__subclasses__()]]))
"""


def test_a_start_loads_nothing_heavy_and_makes_no_answer_ready_that_nobody_has_asked_for() -> None:
    told = subprocess.run([sys.executable, "-c", _LOOK], capture_output=True, text=True, check=True)

    loaded, are_ready = json.loads(told.stdout)
    assert {name.partition(".")[0] for name in loaded} & _HEAVY == set()
    assert len(are_ready) > 100
    assert sum(are_ready) < 10


def test_fonts_of_a_description_that_was_judged_are_opened_by_whoever_draws_with_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(loader, "open_font", lambda spec: opened.append(spec.font))

    shop = catalogue.load(catalogue.default_folder(), is_judged=True)
    assert shop.fonts
    assert opened == []

    catalogue.load(catalogue.default_folder())
    assert sorted(opened) == sorted(shop.fonts)
