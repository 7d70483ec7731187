"""A process that may be killed between any two of its commits, and forgets everything but the rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.records.db import Database

T = TypeVar("T")


class Killed(Exception):
    """What a killed process "raises": handlers of failures may run, but can't touch the rows any more."""


@dataclass(frozen=True, slots=True)
class Death:
    """After so many more commits; the last one kept (`committed`) or rolled back."""

    after: int
    committed: bool


class MortalDatabase(Database):
    """One process's hold on the rows. Handlers that run after its death find that they can't read or write,
    as if they had never run."""

    def __init__(self, engine: Engine) -> None:
        super().__init__(engine)
        self.dies: Death | None = None
        self.is_dead = False
        self._commits = 0

    def die(self, death: Death) -> None:
        self.dies, self._commits = death, 0

    @contextmanager
    def reading(self) -> Iterator[Session]:
        self._must_live()
        with super().reading() as session:
            yield session

    def write_singly(self, work: Callable[[Session], T]) -> T:
        """Each statement is kept as soon as it is done: killed before, or behind the last."""
        self._must_live()
        is_last = self._is_last
        if is_last and self.dies is not None and not self.dies.committed:
            self._end()
        done = super().write_singly(work)
        self._commits += 1
        if is_last:
            self._end()
        return done

    def write(self, work: Callable[[Session], T]) -> T:
        self._must_live()
        is_last = self._is_last

        def to_the_end(session: Session) -> T:
            done = work(session)
            if is_last and self.dies is not None and not self.dies.committed:
                session.flush()  # so far it came
                self._end()
            return done

        done = super().write(to_the_end)
        self._commits += 1
        if is_last:
            self._end()
        return done

    @property
    def _is_last(self) -> bool:
        return self.dies is not None and self._commits >= self.dies.after

    def _end(self) -> None:
        self.is_dead = True
        raise Killed("killed")

    def _must_live(self) -> None:
        if self.is_dead:
            raise Killed("dead already")
