"""Requests drawn from the description of the HTTP surface, with every role's key, and every answer held
against that description.

    sh tests/run fuzz                                          some hundred requests of each operation
    sh tests/run fuzz --max-examples 5000 --seed 7             more, and others
    sh tests/run fuzz --operation take_order --postgres        one operation, on PostgreSQL

Reference: schemathesis (https://schemathesis.readthedocs.io), a general property-based tester of OpenAPI,
with the checks that it brings. Left out are two of them: `positive_data_acceptance` expects that a request
which fits the schema is done, but whether a product or an order of that name exists, or a move is allowed, no
schema says (held instead: such a request is not called malformed JSON, nor sent too large); `ignored_auth`
asks again without a key, which `test_bad_input.py` does for every operation.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter as Counts
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import load_all_checks
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi import checks as openapi_checks
from sqlalchemy import event
from structlog.testing import capture_logs

from layout.plan.planner import plan
from service.app import description
from service.plan import in_force as kept_plan
from service.plan import planning as plans
from service.records.db import Database, open_engine
from service.records.who import Role
from tests.clocks import a_clock
from tests.counter import Counter, a_key, a_lot, an_open_counter, an_order
from tests.servers import create_tables, new_postgres_database, running_postgres

#: A stream that never ends.
NEVER_ENDING = "/v1/events"
LEFT_OUT = [openapi_checks.positive_data_acceptance, openapi_checks.ignored_auth]
#: What is asked here is no client's doing.
NO_LIMITS = {"requests_a_minute": 10**9, "units_a_day": 10**9}
#: What a request that fits the schema can't be refused for.
_MALFORMED = {"malformed_json", "unreadable_body", "name_twice", "body_too_large", "body_too_slow"}
#: Operations that take what is asked part by part, so that a wrong part is refused alone and later.
_TAKEN_APART = {"take_batch"}
#: What is said of a value that is none of this shop's: the description has no such list, `_narrow` made it.
_ONLY_KNOWN = "violates `enum`"
_MODES = st.sampled_from([GenerationMode.POSITIVE, GenerationMode.POSITIVE, GenerationMode.NEGATIVE])


@dataclass
class Found:
    """What came of the requests."""

    asked: int = 0
    statuses: Counts[int] = field(default_factory=Counts)
    #: One line for each different thing that is wrong.
    wrong: dict[str, str] = field(default_factory=dict)

    def note(self, what: str, details: str) -> None:
        self.wrong.setdefault(what, details)


def names() -> list[str]:
    """The ids of all operations that end."""
    return sorted(
        operation["operationId"]
        for path, methods in description()["paths"].items()
        for operation in methods.values()
        if path != NEVER_ENDING
    )


#: Values of the shop that `busy_shop` makes, by the name of the parameter or the field: half of the requests
#: are drawn from these, so that they get past the door.
_KNOWN: dict[str, list[Any]] = {
    "sku": ["AQ-HORI-18", "AQ-NO-SUCH"],
    "zone": ["ricasso"],
    "font": ["lato-bold"],
    "height_mm": [3.0],
    "text": ["Ada", "Allotment 7"],
    "station": ["north"],
    "kind": ["svg", "png"],
    "line_ref": ["1"],
    "bin": ["A1", "BIN.a2", "Z9"],
    "code": ["U1", "U2", "W1", "BIN.A1", "AQ-HORI-18", "J1"],
    "unit": ["U1", "U999"],
    "seen": [0, 3],
    "callback": ["CB1", "CB999"],
    "routine": ["window", "first-piece"],
    "process": ["satin-north"],
    "supply": ["bags", "parcel-boxes"],
    "turn": [1],
    "number": [1],
    "If-Match": ["*", '"1.1"', '"1.2"'],
}
_IDS = {
    "orders": "O",
    "jobs": "J",
    "loads": "L",
    "lots": "LOT",
    "calibrations": "C",
    "work-orders": "W",
    "built-units": "U",
    "stock": "COUNT",
}


def for_drawing(described: dict[str, Any], *, are_known: bool) -> dict[str, Any]:
    """The description, for drawing requests from; `are_known`: with values of this shop and with ids, some of
    which are there."""
    drawn: dict[str, Any] = json.loads(json.dumps(described))
    del drawn["paths"][NEVER_ENDING]
    del drawn["components"]["securitySchemes"]  # which key is sent is drawn here
    for path, methods in drawn["paths"].items():
        noun = path.split("/")[2] if path.count("/") > 2 else ""
        ids = [f"{_IDS[noun]}{n}" for n in (1, 2, 3, 999)] if noun in _IDS else []
        for operation in methods.values():
            operation["x-roles"] = [role for one in operation.pop("security") for role in one["key"]]
            for parameter in operation.get("parameters", []) if are_known else []:
                name = parameter["name"]
                _narrow(parameter, "schema", ids if name == "identity" else _KNOWN.get(name, []))
    bodies = [schema for name, schema in drawn["components"]["schemas"].items() if name.endswith("In")]
    for schema in bodies if are_known else []:
        for name in schema.get("properties", {}):
            _narrow(schema["properties"], name, _KNOWN.get(name, []))
    return drawn


def _narrow(holder: dict[str, Any], name: str, known: Sequence[Any]) -> None:
    if known and "const" not in holder[name] and "$ref" not in holder[name]:
        holder[name] = {"enum": list(known)}


def fuzz(counter: Counter, only: Iterable[str], *, each: int, number: int) -> Found:
    """Ask each of the operations named so often, drawn from that number; gives what was wrong."""
    load_all_checks()
    plain, known = (
        {one.ok().definition.raw["operationId"]: one.ok() for one in schema.get_all_operations()}
        for schema in (
            schemathesis.openapi.from_dict(for_drawing(description(), are_known=are_known))
            for are_known in (False, True)
        )
    )
    found = Found()
    for name in only:
        _ask(counter, (plain[name], known[name]), found, each=each, number=number)
    return found


def _ask(counter: Counter, operations: Sequence[Any], found: Found, *, each: int, number: int) -> None:
    """`operations`: one, as described and with known values."""
    allowed = operations[0].definition.raw["x-roles"]
    roles = st.sampled_from([*allowed * 3, *(role.value for role in Role), "other_store", None])
    cases = [
        {mode: operation.as_strategy(generation_mode=mode) for mode in GenerationMode}
        for operation in operations
    ]

    @seed(number)
    @settings(
        max_examples=each,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(data=st.data())
    def ask(data: st.DataObject) -> None:
        modes = data.draw(st.sampled_from([*cases, cases[-1]]))
        case = data.draw(modes[data.draw(_MODES)])
        _send(counter, case, data.draw(roles), found, is_known=modes is cases[-1])

    ask()


def _send(counter: Counter, case: Any, role: str | None, found: Found, *, is_known: bool) -> None:
    named = f"{case.operation.label} by {role}"
    request = _as_sent(case, None if role is None else counter.keys[role])
    try:
        answer = counter.client.request(
            request.method, request.url, content=request.body, headers=dict(request.headers)
        )
    except AssertionError as error:  # `tests/contracts.py`
        found.note(f"{case.operation.label}: {error}", f"{named}: {request.body!r:.400}")
        return
    found.asked += 1
    found.statuses[answer.status_code] += 1
    sent = f"{request.method} {request.url} {request.body!r:.400}"
    told = f"{named}: {sent} -> {answer.status_code} {answer.text:.300}"
    if case.meta.generation.mode.is_positive and _code(answer) in _MALFORMED:
        found.note(f"{case.operation.label}: a well-formed request is {_code(answer)}", told)
    left_out = list(LEFT_OUT)
    nothing_is_wrong = case.meta.phase.data.description == "Positive test case"
    is_taken_apart = case.operation.definition.raw["operationId"] in _TAKEN_APART
    # Refused, if perhaps for another reason; or it will be, in that part alone.
    if nothing_is_wrong or answer.status_code >= 400 or is_taken_apart:
        left_out.append(openapi_checks.negative_data_rejection)
    try:
        case.validate_response(answer, excluded_checks=left_out)
    except FailureGroup as group:
        for failure in group.exceptions:
            if is_known and _ONLY_KNOWN in failure.message:
                continue
            found.note(
                f"{case.operation.label}: {failure.title} {answer.status_code}",
                f"{failure.message:.600}\n    {told}",
            )


def _as_sent(case: Any, key: str | None) -> requests.PreparedRequest:
    """The request as bytes: with the key, and another Idempotency-Key each time where one was drawn."""
    case.headers = {name: value for name, value in (case.headers or {}).items() if _can_be_sent(value)}
    if case.meta.generation.mode.is_positive and "Idempotency-Key" in case.headers:
        case.headers["Idempotency-Key"] = a_key()
    arguments = case.as_transport_kwargs(base_url="http://testserver")
    headers = {
        name: value for name, value in arguments.pop("headers").items() if name.lower() != "authorization"
    }
    if key is not None:
        headers["Authorization"] = f"Bearer {key}"
    allowed = {"method", "url", "params", "data", "json", "files", "cookies"}
    arguments = {name: value for name, value in arguments.items() if name in allowed}
    return requests.Request(**arguments, headers=headers).prepare()


def _can_be_sent(value: Any) -> bool:
    return isinstance(value, str) and value.isascii() and value.isprintable() and value == value.strip()


def _code(answer: Any) -> str | None:
    is_problem = answer.headers.get("content-type") == "application/problem+json"
    return answer.json()["code"] if is_problem else None


def busy_shop(counter: Counter) -> None:
    """Something to be found by the ids that the description gives as examples: a plan, orders, a load."""
    for _ in range(3):
        counter.post_order(an_order())
    address = {"url": "https://receiver.example/told"}
    counter.ask("store", "POST", "/v1/callbacks", address, Idempotency_Key=a_key())
    counter.ask("owner", "POST", "/v1/lots", a_lot(), Idempotency_Key=a_key())
    work = {"sku": "AQ-HORI-18", "quantity": 3, "due": "2030-01-31T16:00:00Z"}
    counter.ask("owner", "POST", "/v1/work-orders", work, Idempotency_Key=a_key())
    counter.ask("bench", "POST", "/v1/stock/counts", {"bin": "A1"})
    kept_plan.keep(counter.tools)
    counter.ask("bench", "POST", "/v1/loads/next", {"station": "north", "operator": "Kit"})


def main() -> None:
    parser = argparse.ArgumentParser(prog="sh tests/run fuzz", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--max-examples", type=int, default=300, help="requests of each operation")
    parser.add_argument("--operation", action="append", choices=names(), help="this one alone (repeatable)")
    parser.add_argument("--seed", type=int, default=None, help="which requests are drawn (printed)")
    parser.add_argument("--postgres", action="store_true", help="on PostgreSQL")
    asked = parser.parse_args()
    number = random.randrange(2**32) if asked.seed is None else asked.seed
    print(f"fuzz_seed {number}", flush=True)
    total: list[Found] = []
    plans.plan = partial(plan, rounds=5_000)  # type: ignore[assignment]  # a plan need not be good here
    with ExitStack() as stack, capture_logs() as logged:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ricasso-fuzz-")))
        url = f"sqlite:///{folder / 'ricasso.sqlite3'}"
        if asked.postgres:
            server = stack.enter_context(running_postgres(f"fuzz{number}"))
            url = stack.enter_context(new_postgres_database(server, "fuzz")).render_as_string(
                hide_password=False
            )
        engine = open_engine(url)
        stack.callback(engine.dispose)
        if not asked.postgres:
            event.listen(
                engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous=OFF")
            )
        create_tables(engine)
        counter = stack.enter_context(an_open_counter(Database(engine), a_clock(), folder, **NO_LIMITS))
        busy_shop(counter)
        for name in asked.operation or names():
            begun = time.monotonic()
            found = fuzz(counter, [name], each=asked.max_examples, number=number)
            total.append(found)
            statuses = " ".join(f"{status}x{count}" for status, count in sorted(found.statuses.items()))
            print(f"{name} {found.asked} in {time.monotonic() - begun:.1f} s: {statuses}", flush=True)
            for what, details in found.wrong.items():
                print(f"  WRONG {what}\n    {details}", flush=True)
            for fault in (line for line in logged if line["event"] == "unhandled"):
                print(f"    {fault['kind']} at {fault['at']}", flush=True)
            logged.clear()
    print(f"fuzz_requests {sum(found.asked for found in total)}")
    wrong = sum(len(found.wrong) for found in total)
    print(f"fuzz_wrong {wrong}", flush=True)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
