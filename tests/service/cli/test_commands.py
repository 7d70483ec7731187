"""`ricasso` on the command line."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest

from service.cli.main import run

ROOT = Path(__file__).parents[3]
START = "from service.cli import main; main()"


@pytest.fixture(autouse=True)
def _no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("RICASSO_")]:
        monkeypatch.delenv(name)


def test_words_that_fit_are_accepted_and_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    proof = tmp_path / "proof.svg"

    code = run(
        [
            "check",
            "AQ-CHEF-20",
            "--zone",
            "heel",
            "--text",
            "Ada",
            "--font",
            "lato-bold",
            "--proof",
            str(proof),
        ]
    )

    said = capsys.readouterr()
    assert code == 0
    assert said.out.startswith("verdict    accept\n")
    assert proof.read_text().startswith(("<svg", "<?xml"))


def test_words_that_do_not_fit_are_refused_with_what_would(capsys: pytest.CaptureFixture[str]) -> None:
    code = run(
        [
            "check",
            "AQ-CHEF-20",
            "--zone",
            "heel",
            "--text",
            "Hawthorne",
            "--font",
            "lato-bold",
            "--height",
            "14",
            "--json",
        ]
    )

    answer = json.loads(capsys.readouterr().out)
    assert code == 1
    assert answer["verdict"] == "refuse"
    assert {finding["code"] for finding in answer["findings"]} == {"too_long"}


@pytest.mark.parametrize(
    ("arguments", "message", "exit_code"),
    [
        (["sharpen"], "No such command 'sharpen'.", 2),
        (["check", "AQ-CHEF-20"], "Missing option", 2),
        (["keys", "new", "pirate"], "'pirate' is not one of", 2),
        (["worker"], "RICASSO_BROKER_URL is not set", 1),
        (
            ["check", "AQ-CHEF-20", "--zone", "heel", "--text", "a\x00b", "--font", "lato-bold"],
            "text: holds U+0000",
            1,
        ),
        (["import-orders", "/nowhere/orders.csv"], "does not exist", 2),
    ],
)
def test_what_goes_wrong_is_said_in_one_line(
    arguments: list[str], message: str, exit_code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    code = run(arguments)

    said = capsys.readouterr()
    assert code == exit_code
    assert said.out == ""
    assert re.fullmatch(r"ricasso: [^\n]*\n", said.err)
    assert message in said.err


def test_a_broken_shop_description_has_a_line_for_each_mistake(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RICASSO_FIXTURES", str(tmp_path))

    code = run(["check", "AQ-CHEF-20", "--zone", "heel", "--text", "Ada", "--font", "lato-bold"])

    said = capsys.readouterr().err
    assert code == 1
    assert re.fullmatch(
        r"ricasso: the shop's description is refused:\n(  [a-z]+/: no file of this kind\n)+", said
    )


def test_a_key_is_printed_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = run(["keys", "new", "store", "--client", "garden-shop", "--data", str(tmp_path)])

    assert code == 0
    assert re.fullmatch(r"rcs_store_\w{8}_\w{47}\n", capsys.readouterr().out)


def test_orders_and_stock_are_imported_and_what_was_refused_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    orders, stock, report = tmp_path / "orders.csv", tmp_path / "stock.csv", tmp_path / "report.csv"
    orders.write_text(
        "order_ref,ship_by,line_ref,sku,quantity,zone,text,font\n"
        "W-1,2030-12-01,1,AQ-CHEF-20,1,heel,Ada,lato-bold\n"
        "W-2,2030-12-01,1,AQ-CHEF-20,none,heel,Bo,lato-bold\n"
    )
    stock.write_text("bin,sku,boxed,walking_order\nZ-01,AQ-CHEF-20,2,900\n")
    data = ["--data", str(tmp_path / "data")]

    stock_code = run(["import-stock", str(stock), *data])
    orders_code = run(["import-orders", str(orders), "--report", str(report), *data])
    again = run(["import-orders", str(orders), *data])

    said = capsys.readouterr()
    assert (stock_code, orders_code, again) == (0, 1, 1)
    assert "row 3: W-2: refused: quantity: " in said.out
    assert "1 taken, 1 refused" in said.out
    assert "1 already there, 1 refused" in said.out
    assert said.err.count("ricasso: 1 of 2 refused; the rest is done\n") == 2
    assert report.read_text().splitlines()[0] == '"row","ref","result","message"'


def test_a_dry_run_stores_nothing_and_does_not_say_that_it_did(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, orders = ["--data", str(tmp_path / "data")], tmp_path / "orders.xlsx"
    assert run(["import-orders", "--template", str(orders), *data]) == 0
    wrong = tmp_path / "wrong.csv"
    wrong.write_text(
        "order_ref,ship_by,line_ref,sku,quantity,zone\n"
        "W-1,2030-12-01,1,AQ-CHEF-20,1,heel\nW-2,soon,1,AQ-CHEF-20,1,heel\n"
    )
    capsys.readouterr()

    codes = [run(["import-orders", str(file), "--dry-run", *data]) for file in (orders, wrong, orders)]
    twice = run(["import-orders", "--template", str(orders), *data])
    neither = run(["import-stock", *data])

    said = capsys.readouterr()
    assert (codes, twice, neither) == ([0, 1, 0], 1, 1)
    assert said.out.count("2 would be taken") == 2  # nothing was stored in between
    assert "ricasso: 2 of 2 refused; nothing was stored, this was a dry run\n" in said.err
    assert "the rest is done" not in said.err
    assert "is there already" in said.err
    assert "name a file to import" in said.err


@contextmanager
def serving(data: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    process = subprocess.Popen(
        [sys.executable, "-c", START, "serve", "--port", "0", "--data", str(data)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    try:
        line = {"event": ""}
        while line["event"] != "started":
            line = json.loads(process.stderr.readline())  # all it says is lines of log
        yield process, line["address"]
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        process.stderr.close()


def answer(url: str, key: str = "") -> int:
    request = Request(url, headers={"Authorization": f"Bearer {key}"} if key else {})
    try:
        with urlopen(request, timeout=10) as response:
            return int(response.status)
    except HTTPError as error:
        error.close()
        return error.code


def test_the_service_comes_up_on_a_free_port_and_ends_at_ctrl_c(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with serving(tmp_path) as (process, address):
        run(["keys", "new", "owner", "--data", str(tmp_path)])
        key = capsys.readouterr().out.strip()
        answers = [
            answer(f"{address}/readyz"),
            answer(f"{address}/v1/stock"),
            answer(f"{address}/v1/stock", key),
            answer(f"{address}/metrics", key),
        ]
        second = run(["serve", "--port", "0", "--data", str(tmp_path)])
        modes = {path.name: (path.is_dir(), path.stat().st_mode & 0o777) for path in tmp_path.iterdir()}
        process.send_signal(signal.SIGINT)
        code = process.wait(60)

    assert answers == [200, 401, 200, 200]
    assert code == 0
    assert second == 1
    assert capsys.readouterr().err == (
        f"ricasso: another `ricasso serve` works with {tmp_path}/ricasso.sqlite3 already; "
        "stop it, or choose another --data\n"
    )
    assert {"ricasso.sqlite3", "ricasso.sqlite3-wal"} <= modes.keys()
    assert all(mode == (0o700 if is_folder else 0o600) for is_folder, mode in modes.values()), modes


def test_a_port_that_is_taken_is_said_before_anything_is_begun(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

        code = run(["serve", "--port", str(port), "--data", str(tmp_path / "data")])

    assert code == 1
    assert capsys.readouterr().err == (
        f"ricasso: can't listen on 127.0.0.1 port {port}: Address already in use; choose another --port\n"
    )
    assert not (tmp_path / "data").exists()


def test_the_log_goes_to_standard_error_as_it_is_when_a_line_is_written(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import io

    import structlog

    from service.app import set_up_logging

    first, second = io.StringIO(), io.StringIO()
    monkeypatch.setattr("sys.stderr", first)
    set_up_logging("INFO")
    first.close()
    monkeypatch.setattr("sys.stderr", second)

    structlog.get_logger("test").info("written")

    assert '"event": "written"' in second.getvalue()


def test_the_shell_completes_commands(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("_RICASSO_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", "ricasso keys r")
    monkeypatch.setenv("COMP_CWORD", "2")

    with pytest.raises(SystemExit) as ended:
        run([])

    assert ended.value.code == 0
    assert capsys.readouterr().out.split() == ["revoke", "rotate"]


@pytest.mark.skipif(not Path("/proc/self/autogroup").exists(), reason="a kernel that weighs no sessions")
def test_a_worker_with_a_session_of_its_own_stands_behind_with_all_of_it() -> None:
    """Otherwise `nice` says nothing to a service in another session (sched(7), "The autogroup feature")."""
    told = "import os; from service.cli.serve import stand_behind_requests; stand_behind_requests()"
    shown = "print(os.nice(0), open('/proc/self/autogroup').read().split()[-1])"

    def stands(*, alone: bool) -> str:
        """How far behind it stands in its session, and its session behind others."""
        command = [sys.executable, "-c", f"{told}; {shown}"]
        if not alone:  # in a session that somebody else leads
            command = ["sh", "-c", '"$0" "$@"; exit', *command]
        run = subprocess.run(command, start_new_session=True, capture_output=True, text=True, check=True)
        return run.stdout.strip()

    behind = min(19, os.nice(0) + 10)
    assert stands(alone=True) == f"{behind} 10"
    assert stands(alone=False) == f"{behind} 0"
