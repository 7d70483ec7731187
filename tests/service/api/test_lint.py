"""The description of the HTTP surface by a linter that others use: Redocly CLI 2.77.0
(https://github.com/Redocly/redocly-cli), its recommended rules. No error, and no warning that is not listed
here with its reason.

It needs Node: `sh tests/run` installs it where npm is found, and says so where it is not.
"""

from __future__ import annotations

import pytest

from tests.lint import LINTER, LISTED, said


@pytest.mark.skipif(LINTER is None, reason="NO LINTER: the description of the HTTP surface was not linted")
def test_the_linter_has_nothing_against_the_description_but_what_is_listed() -> None:
    assert said() == set(LISTED)
