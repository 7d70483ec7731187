"""The data folder is the service's own; only the stations' folders are read by others."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.records.folders import InUse, keep_private, open_to_stations, serve_alone


def mode(path: Path) -> str:
    return oct(path.stat().st_mode & 0o777)


def test_what_others_could_read_is_taken_from_them(tmp_path: Path) -> None:
    data = tmp_path / "data"
    (data / "files").mkdir(parents=True, mode=0o755)
    (data / "ricasso.sqlite3").write_bytes(b"")
    (data / "ricasso.sqlite3").chmod(0o644)
    open_to_stations(data / "stations" / "north")

    keep_private(data)

    modes = {path.name: mode(path) for path in data.iterdir()}
    assert modes == {"files": "0o700", "ricasso.sqlite3": "0o600", "stations": "0o755"}
    assert (mode(data), mode(data / "stations" / "north")) == ("0o711", "0o755")


def test_one_process_serves_from_a_database_file(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ricasso.sqlite3'}"
    first = serve_alone(url)

    with pytest.raises(InUse, match=r"ricasso\.sqlite3"):
        serve_alone(url)
    assert first is not None
    first.close()
    again = serve_alone(url)
    assert again is not None
    again.close()

    assert serve_alone("postgresql+psycopg://shop@db/ricasso") is None
