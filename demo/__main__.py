"""`sh demo/run`: a made-up shop's day, from an order over HTTP to a released unit."""

from __future__ import annotations

import argparse
import shutil
import signal
import sys
import threading
from pathlib import Path

from demo.service import Listener, StoryBroken, free_port, new_key, serving, working_out_heights
from demo.store.server import open_store
from demo.story import Story

ROOT = Path(__file__).resolve().parents[1]


def main() -> int:
    parser = argparse.ArgumentParser(prog="demo/run", description=__doc__)
    parser.add_argument("--once", action="store_true", help="end the service when the story is told")
    parser.add_argument("--port", type=int, help="port to serve on (otherwise 8000, or a free one)")
    parser.add_argument(
        "--out", type=Path, default=ROOT / "demo" / "out", help="folder for data and pictures"
    )
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        return _tell(options.port, options.out, once=options.once)
    except StoryBroken as broken:
        print(f"\nThe story broke: {broken}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nstopped")
        return 0 if not options.once else 130


def _tell(port: int | None, out: Path, *, once: bool) -> int:
    port, note = free_port(port)
    # One folder per port: two of these side by side don't share a database.
    folder = (out / str(port)).resolve()
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "files").mkdir(parents=True)
    if note:
        print(note)
    print(f"Starting the service on SQLite, data in {folder / 'data'} ...")
    with (
        serving(port, folder / "data") as address,
        working_out_heights(folder / "data") as log,
        Listener() as listener,
        open_store(
            free_port(None, usual=8080)[0],
            service=address,
            keys_for=lambda own: (
                new_key("store", "web", folder / "data"),
                new_key("storefront", "web", folder / "data", "--origin", own),
            ),
        ) as store,
    ):
        print(
            "Beside it, `ricasso fonts measure --heights-only` works out from which height each font can be"
        )
        print(f"burned, about half a minute's work; the catalogue's smallest_mm is filled meanwhile ({log}).")
        print(
            "Then every letter of every font is measured behind the service; the owner's page shows how far."
        )
        Story(address=address, folder=folder, listener=listener, store=store).tell()
        if not once:
            print(
                f"\nThe service stays up at {address}, the web store at {store.address} (Ctrl-C stops both)."
            )
            threading.Event().wait()
    return 0


if __name__ == "__main__":
    sys.exit(main())
