"""What recorded burns say of the estimates, as the service answers it."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field
from sqlalchemy.orm import Session

from service.plan import pace_rows as rows
from service.plan.paces import paces
from service.records.tables import LearnedPace
from service.requests.answers import AnswerBody, Moment


class MeasuredTurnAnswer(AnswerBody):
    """One burned turn: what was expected, and what it took, in seconds."""

    estimated_s: float = Field(description="By the catalogue's figures.", examples=[60.0])
    expected_s: float = Field(description="By what the other turns taught.", examples=[81.5])
    measured_s: float = Field(description="From start to finish, as recorded.", examples=[79.0])


class MedianErrorAnswer(AnswerBody):
    """Half of the turns were nearer to what was expected than this, in seconds."""

    catalogue: float = Field(description="Expected by the catalogue's figures.", examples=[20.5])
    learned: float = Field(description="Each expected from the others.", examples=[3.2])


class EstimateAnswer(AnswerBody):
    """What was learned of one station, plate and process."""

    station: str = Field(description="Station.", examples=["fibre-1"])
    plate: str | None = Field(description="The plate; null: all of the station's.", examples=["parer-8"])
    process: str | None = Field(
        description="The process; null: all of the station's.", examples=["steel-satin"]
    )
    turns: int = Field(description="Burned turns that taught it.", examples=[48])
    factor: float = Field(
        description="Seconds on the bench are this times the catalogue's estimate, and handling.",
        examples=[1.08],
    )
    handling_s: float = Field(description="Seconds of handling a unit.", examples=[4.5])
    median_error_s: MedianErrorAnswer = Field(description="How far expected and measured are apart.")
    recent: tuple[MeasuredTurnAnswer, ...] = Field(description="The newest turns, the newest first.")


class EstimatesAnswer(AnswerBody):
    """Expected against measured burns; empty until burns are recorded."""

    learned_at: Moment | None = Field(description="When it was learned; null: never yet.")
    turns: int = Field(description="Burned turns looked at.", examples=[120])
    spread: float = Field(description="Log-deviation of measured about expected seconds.", examples=[0.12])
    estimates: tuple[EstimateAnswer, ...] = Field(description="Stations, and their plates and processes.")


def estimates_answer(session: Session) -> EstimatesAnswer:
    """Expected against measured, group by group, with its error; empty until burns are recorded."""
    learned = rows.learned(session)
    shop = next((row for row in learned if not row.station), None)
    return EstimatesAnswer(
        learned_at=shop.learned_at if shop else None,
        turns=shop.records if shop else 0,
        spread=paces(session).spread,
        estimates=tuple(_estimate(row) for row in learned if row.station),
    )


def _estimate(row: LearnedPace) -> EstimateAnswer:
    return EstimateAnswer(
        station=row.station,
        plate=row.plate or None,
        process=row.process or None,
        turns=row.records,
        factor=round(row.factor, 4),
        handling_s=round(row.handling_s, 2),
        median_error_s=MedianErrorAnswer(
            catalogue=round(row.error_catalogue_s, 2), learned=round(row.error_learned_s, 2)
        ),
        recent=tuple(map(_measured_turn, row.recent)),
    )


def _measured_turn(stored: Sequence[float]) -> MeasuredTurnAnswer:
    estimated, expected, measured = stored
    return MeasuredTurnAnswer(estimated_s=estimated, expected_s=expected, measured_s=measured)
