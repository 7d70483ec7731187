"""Photos of marks: are faults pointed at, and good marks left alone?

`photo_faults_found_least`: of six kinds of faults, the share that is pointed at of the kind found least (aim:
at least 0.95). `photo_false_alarms`: the share of good marks of which something is said (at most 0.02).
Every run draws others; `--seed` repeats one.

    python -m tests.bench.bench_photos --faults 100 --good 400 --seed 7
"""

from __future__ import annotations

import argparse
import random
import time

from tests.bench.timing import figure, input_line
from tests.references.marked_photos import FAULTS, a_bad_one, a_good_one, is_pointed_at

#: Faint letters are said, and are no kind of which a share is promised.
PROMISED = tuple(fault for fault in FAULTS if fault != "letter faint")


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--faults", type=int, default=60)
    asked.add_argument("--good", type=int, default=300)
    asked.add_argument("--seed", type=int, default=random.randrange(10**6))
    wanted = asked.parse_args()
    found: dict[str, float] = {}
    for fault in FAULTS:
        cases = [a_bad_one(fault, wanted.seed + number) for number in range(wanted.faults)]
        missed = [case for case in cases if not is_pointed_at(case.looked_at())]
        found[fault] = 1 - len(missed) / wanted.faults
        print(f"# {fault}: {found[fault]:.3f} of {wanted.faults}", flush=True)
        for case in missed:
            print(f"#   missed: {case.what}, {case.photo.said}", flush=True)
    seconds, alarms = 0.0, []
    for number in range(wanted.good):
        case = a_good_one(wanted.seed + 10_000 + number)
        begun = time.process_time()
        said = case.looked_at()
        seconds += time.process_time() - begun
        if is_pointed_at(said):
            alarms.append(case)
            print(f"#   suspected: {case.what}, {case.photo.said}, {said.suspects}", flush=True)
    drawn = f"{wanted.faults} of each fault, {wanted.good} good, seed {wanted.seed}"
    input_line("photos", drawn, repr(sorted(found.items())))
    figure("photo_faults_found_least", min(found[fault] for fault in PROMISED))
    figure("photo_false_alarms", len(alarms) / wanted.good)
    figure("photo_look_s", seconds / wanted.good)


if __name__ == "__main__":
    main()
