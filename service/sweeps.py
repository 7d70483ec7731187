"""Looks for what was left lying: loads whose lease has run out, loads that started and went silent.

The rules are the benches' own (`service.loads`); this only calls them, again and again.
"""

from __future__ import annotations

from service.tools import Tools


def sweep_loads(tools: Tools) -> None:
    """Give unstarted loads back whose lease is over; mark started ones interrupted that never finished."""
    raise NotImplementedError


def render_load(tools: Tools, load_id: int) -> None:
    raise NotImplementedError


def forget_answers(tools: Tools) -> None:
    raise NotImplementedError
