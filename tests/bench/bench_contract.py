"""How complete the description of the HTTP surface is: four counts of what is missing, and what a linter
(Redocly CLI) and a validator (openapi-spec-validator) have against it."""

from __future__ import annotations

import sys

from openapi_spec_validator import OpenAPIV31SpecValidator

from service.app import description
from tests.bench.timing import figure, input_line
from tests.contracts import operations, properties, undescribed, untyped, without_example
from tests.lint import LINTER, LISTED, said


def main() -> None:
    counted = f"{sum(1 for _ in operations())} operations, {sum(1 for _ in properties())} properties, aim 0"
    missing = [*untyped(), *undescribed(), *without_example()]
    input_line("openapi_untyped", counted, "\n".join(missing))
    figure("openapi_untyped", len(untyped()))
    figure("openapi_undescribed", len(undescribed()))
    figure("openapi_without_example", len(without_example()))
    if LINTER is None:
        print("openapi_lint was not counted: there is no linter here (it needs Node)", file=sys.stderr)
    else:
        figure("openapi_lint", len(said() - set(LISTED)))
    figure("openapi_invalid", sum(1 for _ in OpenAPIV31SpecValidator(description()).iter_errors()))


if __name__ == "__main__":
    main()
