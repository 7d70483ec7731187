"""Improving a plan by small changes, so many times and no more: the same backlog gives the same plan.

Three searches follow one another, each from the best plan of the one before, each looking at the plan in its
own way, because what is judged (whole days, numbers of loads) shows no small progress. The first two look at
hours and at nearly empty loads too, the last at exactly what is judged.

Threshold accepting: G. Dueck and T. Scheuer, Journal of Computational Physics 90, 1990. Late acceptance:
E. K. Burke and Y. Bykov, European Journal of Operational Research 258, 2017 (both quoted from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import NamedTuple

from layout.backlog import Bound, Score
from layout.floor import Floor, Load
from layout.hours import DAY_S
from layout.moves import MOVES, Dice
from layout.track import Passage, Track, score_at

#: Plans are compared with what they were so many changes ago.
MEMORY = 50
#: Shares of the rounds that the three searches get.
DATES, FULL_LOADS, AS_JUDGED = 0.7, 0.2, 0.1
#: What the search for dates counts beside days late, in days late of a usual job: a day's seconds late, a
#: load, a change; and by how much a plan may get worse in the first round. Where all is in time, loads are
#: what is left to gain.
A_DAY, A_LOAD, A_CHANGE, THRESHOLD = 0.1, 0.05, 0.005, 0.5
A_LOAD_IN_TIME = 0.5

Cost = tuple[float, ...]
Lead = Callable[[Passage, Sequence[Load], int], Cost]  # passage, loads, sum of their units squared
Allowed = Callable[[int, Cost], Cost]  # round and cost now: what a changed plan may cost


class Tried(NamedTuple):
    """Loads; the passages before each of them and after the last; what they cost in a search's eyes."""

    loads: list[Load]
    passages: list[Passage]
    cost: Cost
    score: Score


def improve(floor: Floor, loads: Sequence[Load], bound: Bound, *, rounds: int, seed: int = 1) -> list[Load]:
    """The best of about `rounds` changed plans and the one given. Searches for what the bound says can't be
    had any more are left out."""
    search = _Search(Track(floor), Dice(seed))
    best = list(loads)
    score = search.first(best, _as_judged).score
    if score.lateness > bound.lateness or score.loads > bound.loads:
        usual = fmean(job.weight for job in floor.jobs)
        turns = max(1, int(DATES * rounds))
        load = A_LOAD if score.lateness > bound.lateness else A_LOAD_IN_TIME
        best = search.run(best, _dates(usual, load), turns, _shrinking(THRESHOLD * usual, turns))
    if score.lateness > bound.lateness or score.loads > bound.loads:
        best = search.run(best, _full_loads, int(FULL_LOADS * rounds), _late_acceptance())
    return search.run(best, _as_judged, int(AS_JUDGED * rounds), _late_acceptance())


# --- what leads a search: all of it only grows while loads are put one after another ---


def _dates(usual: float, a_load: float) -> Lead:
    day, load, change = A_DAY / DAY_S, a_load * usual, A_CHANGE * usual

    def cost(passage: Passage, loads: Sequence[Load], _: int) -> Cost:
        return (passage.lateness + day * passage.late_s + load * len(loads) + change * passage.changes,)

    return cost


def _full_loads(passage: Passage, loads: Sequence[Load], squares: int) -> Cost:
    return (passage.lateness, len(loads), -squares, passage.late_s, passage.changes)


def _as_judged(passage: Passage, loads: Sequence[Load], _: int) -> Cost:
    return (passage.lateness, len(loads), passage.changes)


# --- what a changed plan may cost ---


def _shrinking(threshold: float, rounds: int) -> Allowed:
    return lambda number, now: (now[0] + threshold * (1 - number / rounds),)


def _late_acceptance() -> Allowed:
    memory: list[Cost] = []

    def allowed(number: int, now: Cost) -> Cost:
        if len(memory) < MEMORY:
            memory.append(now)
            return now
        past, memory[number % MEMORY] = memory[number % MEMORY], now
        return max(past, now)

    return allowed


# --- the search ---


@dataclass(slots=True)
class _Search:
    track: Track
    dice: Dice

    def run(self, loads: list[Load], lead: Lead, rounds: int, allowed: Allowed) -> list[Load]:
        now = best = self.first(loads, lead)
        for number in range(rounds):
            move = MOVES[self.dice.below(len(MOVES))]
            changed = move(self.track.floor, self.dice, now.loads)
            most = allowed(number, now.cost)
            if changed is None:
                continue
            tried = self._tried(changed, now, lead, most)
            if tried is not None:
                now = tried
                if now.score < best.score:
                    best = now
        return best.loads

    def first(self, loads: list[Load], lead: Lead) -> Tried:
        passages = [self.track.start]
        for load in loads:
            passages.append(self.track.put(passages[-1], load))
        return self._finished(loads, passages, lead(passages[-1], loads, _squares(loads)), lead)

    def _finished(self, loads: list[Load], passages: list[Passage], cost: Cost, lead: Lead) -> Tried:
        score = score_at(self.track.floor, passages[-1], loads)
        if lead is _as_judged:
            cost = (*cost, score.split, score.walking)
        return Tried(loads, passages, cost, score)

    def _tried(self, loads: list[Load], old: Tried, lead: Lead, most: Cost) -> Tried | None:
        """The loads in time; None when they cost more than `most`, or for an order in which a later visit
        comes before an earlier one. What is as it was in the old plan is not timed again: the loads before
        the first changed one, and those after the last from where the stations are at the same again."""
        first, last = _changed(old.loads, loads)
        passages, squares = old.passages[: first + 1], _squares(loads)
        passage, shift = passages[-1], len(old.loads) - len(loads)
        for place in range(first, len(loads)):
            try:
                passage = self.track.put(passage, loads[place])
            except (KeyError, ValueError):
                return None
            if lead(passage, loads, squares) > most:
                return None
            passages.append(passage)
            before = old.passages[place + 1 + shift] if place + 1 >= last else None
            if before is not None and before[:3] == passage[:3]:
                passages += _as_before(passage, before, old.passages[place + 2 + shift :])
                break
        cost = lead(passages[-1], loads, squares)
        if cost > most:
            return None
        tried = self._finished(loads, passages, cost, lead)
        return None if tried.cost > most else tried


def _squares(loads: Sequence[Load]) -> int:
    return sum([len(units) ** 2 for _, units in loads])


def _changed(old: Sequence[Load], new: Sequence[Load]) -> tuple[int, int]:
    """The first of the new loads that is another one, and the first after the last such."""
    most = min(len(old), len(new))
    first = 0
    while first < most and new[first] is old[first]:
        first += 1
    same = 0
    while same < most - first and new[-1 - same] is old[-1 - same]:
        same += 1
    return first, len(new) - same


def _as_before(now: Passage, then: Passage, rest: Sequence[Passage]) -> list[Passage]:
    """The passages of loads that happen when they did, with what they cost before them changed."""
    days, late_s = now.lateness - then.lateness, now.late_s - then.late_s
    changes = now.changes - then.changes
    return [
        Passage(p.at, p.copies, p.ends, p.lateness + days, p.late_s + late_s, p.changes + changes)
        for p in rest
    ]
