"""The closed sets of states and the moves allowed between them.

Every move is made by a guarded update (`WHERE id = :id AND state = :from`) and writes one row of
history; see `service.records.moves`. The comment beside each state says what is true while it holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType


class JobState(StrEnum):
    HELD = "held"  # the desk must decide: findings, review or a buyer's approval
    SHORT = "short"  # engravable, but no boxed unit is free
    READY = "ready"  # a boxed unit is reserved (or between two visits, with the faces done recorded)
    LOADED = "loaded"  # in an active load
    ENGRAVED = "engraved"  # every face of this load is on the metal, not inspected yet
    PASSED = "passed"
    RELEASED = "released"  # boxed, and packing's from here on
    SCRAPPED = "scrapped"  # the unit is spoiled; a replacement job exists
    DOUBTFUL = "doubtful"  # a burn was interrupted: a person must say what is on the metal
    CANCELLED = "cancelled"


class OrderState(StrEnum):
    """Of an order: derived, never stored. That of its least advanced job, until packing has ended it."""

    HELD = "held"
    SHORT = "short"
    READY = "ready"
    LOADED = "loaded"
    ENGRAVED = "engraved"
    PASSED = "passed"
    RELEASED = "released"  # every unit that is not cancelled is packing's
    HANDED_OVER = "handed_over"  # packing has given it to the carrier
    DOUBTFUL = "doubtful"
    CANCELLED = "cancelled"


class LoadState(StrEnum):
    CLAIMED = "claimed"  # leased to an operator, units not pulled yet
    PULLED = "pulled"  # units fetched from their bins
    SEATED = "seated"  # units in the slots of the current turn
    BURNING = "burning"  # start was recorded: the beam may be on
    TURNING = "turning"  # a turn is finished, units are turned over for the next
    BURNED = "burned"  # last turn finished, waiting for inspection
    CLOSED = "closed"  # inspected and released
    DROPPED = "dropped"  # given back before start
    INTERRUPTED = "interrupted"  # a started turn did not finish; jobs are doubtful


class LotState(StrEnum):
    OPEN = "open"
    DONE = "done"
    HANDED_OVER = "handed_over"
    CANCELLED = "cancelled"


class BatchResult(StrEnum):
    """What became of one order of a batch."""

    WAITING = "waiting"  # not looked at yet, or to be tried again
    TAKEN = "taken"
    HELD = "held"  # taken, and a line waits for a person
    REFUSED = "refused"  # as the order alone would have been
    FAILED = "failed"  # tried several times in vain, for no fault of the order's: the same key tries again


class Origin(StrEnum):
    """Where a description that was put in force came from."""

    FOLDER = "folder"  # read from a folder of files
    DRAFT = "draft"  # changed on pages
    POSTED = "posted"  # sent by a program
    BACK = "back"  # an earlier one, put in force again


class ReturnState(StrEnum):
    """What becomes of a unit that another was made for."""

    AWAITED = "awaited"  # nobody has had it in hand yet
    NOT_RETURNED = "not_returned"  # the buyer keeps it, or it is lost
    POLISHING = "polishing"  # its mark is being polished away
    STOCKED = "stocked"  # inspected, boxed and counted in a bin: it may be sold again
    SCRAPPED = "scrapped"


class WorkOrderState(StrEnum):
    OPEN = "open"  # units of it are to be built, inspected or boxed
    DONE = "done"  # every unit stands in a bin or was given up
    CANCELLED = "cancelled"  # no more are built; what was built before goes on


class UnitState(StrEnum):
    """Of a unit that assembly builds."""

    TO_BUILD = "to_build"  # its label is printed; nobody has inspected it
    PASSED = "passed"  # inspected, on its way into a bin
    REWORK = "rework"  # a point of the inspection failed
    REWORKED = "reworked"  # back from rework, to be inspected again
    STOCKED = "stocked"  # boxed, and counted in a bin
    GIVEN_UP = "given_up"  # not worth any more work
    CANCELLED = "cancelled"  # never built: its work order was cancelled


class CountState(StrEnum):
    """Of the counting of one bin."""

    OPEN = "open"
    TAKEN = "taken"  # the bin's counts were set by it
    DROPPED = "dropped"


class StockChange(StrEnum):
    """Why a bin holds more or fewer units than before."""

    BEFORE = "before"  # what stood there when changes were first kept
    COUNTED = "counted"
    PULLED = "pulled"  # fetched for a job
    MISSING = "missing"  # not in its bin
    BLEMISHED = "blemished"  # in its bin, and not good
    KEPT = "kept"  # called missing or blemished, and good after all
    PUT_BACK = "put_back"  # fetched for a job that was cancelled then
    RETURNED = "returned"  # back from a buyer
    BUILT = "built"
    MOVED_IN = "moved_in"
    MOVED_OUT = "moved_out"


J, L, T, R = JobState, LoadState, LotState, ReturnState
W, U, C = WorkOrderState, UnitState, CountState

JOB_MOVES: Mapping[JobState, frozenset[JobState]] = MappingProxyType(
    {
        J.HELD: frozenset({J.READY, J.SHORT, J.CANCELLED}),
        J.SHORT: frozenset({J.READY, J.HELD, J.CANCELLED}),
        # to released: nothing is engraved on it, and packing has fetched its box
        J.READY: frozenset({J.LOADED, J.SHORT, J.HELD, J.CANCELLED, J.RELEASED}),
        # back to ready: the load was dropped, lapsed, or another unit is taken for a missing one
        J.LOADED: frozenset({J.ENGRAVED, J.READY, J.SHORT, J.DOUBTFUL, J.CANCELLED, J.SCRAPPED}),
        # back to loaded: burned again before unseating; back to ready: a face left for another visit
        J.ENGRAVED: frozenset({J.PASSED, J.SCRAPPED, J.LOADED, J.READY}),
        J.PASSED: frozenset({J.RELEASED, J.SCRAPPED}),
        J.DOUBTFUL: frozenset({J.READY, J.SHORT, J.LOADED, J.ENGRAVED, J.SCRAPPED}),
        J.RELEASED: frozenset({J.SCRAPPED}),  # remade before its order has left
        J.SCRAPPED: frozenset(),
        J.CANCELLED: frozenset(),
    }
)

LOAD_MOVES: Mapping[LoadState, frozenset[LoadState]] = MappingProxyType(
    {
        L.CLAIMED: frozenset({L.PULLED, L.DROPPED}),
        L.PULLED: frozenset({L.SEATED, L.DROPPED}),
        # back to pulled: a blemish was seen, another unit is fetched. A started load whose seated units came
        # out again, or are not burned again after all, goes to where its contents say it is
        L.SEATED: frozenset({L.BURNING, L.DROPPED, L.PULLED, L.TURNING, L.BURNED, L.INTERRUPTED}),
        L.BURNING: frozenset({L.TURNING, L.BURNED, L.INTERRUPTED}),
        L.TURNING: frozenset({L.SEATED, L.BURNED}),
        L.BURNED: frozenset({L.SEATED, L.CLOSED}),  # seated: burned again before unseating
        L.INTERRUPTED: frozenset({L.SEATED, L.TURNING, L.BURNED, L.CLOSED}),
        L.CLOSED: frozenset(),
        L.DROPPED: frozenset(),
    }
)

LOT_MOVES: Mapping[LotState, frozenset[LotState]] = MappingProxyType(
    {
        T.OPEN: frozenset({T.DONE, T.CANCELLED}),
        T.DONE: frozenset({T.HANDED_OVER, T.OPEN}),
        T.HANDED_OVER: frozenset(),
        T.CANCELLED: frozenset({T.HANDED_OVER}),  # the blades that were marked before
    }
)

RETURN_MOVES: Mapping[ReturnState, frozenset[ReturnState]] = MappingProxyType(
    {
        R.AWAITED: frozenset({R.NOT_RETURNED, R.POLISHING, R.STOCKED, R.SCRAPPED}),
        R.NOT_RETURNED: frozenset({R.POLISHING, R.STOCKED, R.SCRAPPED}),  # it has come after all
        R.POLISHING: frozenset({R.STOCKED, R.SCRAPPED}),
        R.STOCKED: frozenset(),
        R.SCRAPPED: frozenset(),
    }
)

WORK_ORDER_MOVES: Mapping[WorkOrderState, frozenset[WorkOrderState]] = MappingProxyType(
    {
        W.OPEN: frozenset({W.DONE, W.CANCELLED}),
        W.DONE: frozenset(),
        W.CANCELLED: frozenset(),
    }
)

UNIT_MOVES: Mapping[UnitState, frozenset[UnitState]] = MappingProxyType(
    {
        U.TO_BUILD: frozenset({U.PASSED, U.REWORK, U.GIVEN_UP, U.CANCELLED}),
        U.PASSED: frozenset({U.STOCKED, U.REWORK, U.GIVEN_UP}),  # seen only when it was boxed
        U.REWORK: frozenset({U.REWORKED, U.GIVEN_UP}),
        U.REWORKED: frozenset({U.PASSED, U.REWORK, U.GIVEN_UP}),
        U.STOCKED: frozenset(),
        U.GIVEN_UP: frozenset(),
        U.CANCELLED: frozenset(),
    }
)

COUNT_MOVES: Mapping[CountState, frozenset[CountState]] = MappingProxyType(
    {
        C.OPEN: frozenset({C.TAKEN, C.DROPPED}),
        C.TAKEN: frozenset(),
        C.DROPPED: frozenset(),
    }
)

#: Units that assembly is through with.
ENDED_UNITS = frozenset({U.STOCKED, U.GIVEN_UP, U.CANCELLED})
#: Loads that hold jobs, a plate copy and a place at the station.
ACTIVE_LOADS = frozenset(L) - {L.CLOSED, L.DROPPED}
#: Loads that never started: their lease may lapse and give the jobs back.
UNSTARTED_LOADS = frozenset({L.CLAIMED, L.PULLED, L.SEATED})
#: Jobs that the bench is through with: their units are packing's, spoiled or wanted no longer.
ENDED_JOBS = (J.RELEASED, J.SCRAPPED, J.CANCELLED)
#: Jobs that an order is not made up of any more.
GONE_JOBS = frozenset({J.SCRAPPED, J.CANCELLED})
#: Jobs whose words may still change and which may still be cancelled without touching a load.
OPEN_JOBS = frozenset({J.HELD, J.SHORT, J.READY})

# Least advanced first; held and short are shown before anything else.
_LEAST_ADVANCED = (
    J.HELD,
    J.SHORT,
    J.DOUBTFUL,
    J.READY,
    J.LOADED,
    J.ENGRAVED,
    J.PASSED,
    J.RELEASED,
)


def derived_state(jobs: Iterable[JobState]) -> JobState:
    """State of a line: that of its least advanced job. A scrapped job is represented by its
    replacement.

    >>> derived_state([JobState.RELEASED, JobState.SHORT]).value
    'short'
    """
    present = set(jobs)
    for state in _LEAST_ADVANCED:
        if state in present:
            return state
    return J.CANCELLED


def order_state(jobs: Iterable[JobState], *, is_handed_over: bool) -> OrderState:
    """State of an order: that of its least advanced job, until packing has ended it.

    >>> order_state([JobState.RELEASED], is_handed_over=True).value
    'handed_over'
    """
    return OrderState.HANDED_OVER if is_handed_over else OrderState(derived_state(jobs).value)
