"""What every look at damage shares."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Executable
from sqlalchemy.orm import Session

from service.records.states import ENDED_JOBS, JobState

#: A row as the rule's sentence names its parts.
Found = Mapping[str, Any]

J = JobState
IN_A_LOAD = (J.LOADED.value, J.ENGRAVED.value, J.PASSED.value, J.DOUBTFUL.value)
ENDED = tuple(state.value for state in ENDED_JOBS)
ON_METAL = ("complete", "partial")
BATCH = 1000


def every(session: Session, query: Executable) -> Iterator[Found]:
    """The rows of a query, a batch at a time."""
    for row in session.execute(query.execution_options(yield_per=BATCH)):
        yield {str(name): value for name, value in row._mapping.items()}
