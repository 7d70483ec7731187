"""The order in which slots are visited, against tours whose optimum is published.

Published: TSPLIB (G. Reinelt, "TSPLIB - A Traveling Salesman Problem Library", ORSA Journal on Computing 3,
1991), instances and optimal lengths; distances are rounded to whole numbers as its own paper says.
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from layout.burn.route import shortest_way
from layout.shop.measure import Floats

DATA = Path(__file__).parent / "data"
#: Optimal lengths of closed tours, published with the instances.
OPTIMA = {"burma14": 3323, "eil51": 426, "berlin52": 7542, "kroA100": 21282}


def distances_of(name: str) -> Floats:
    """Whole distances between all places of an instance: EUC_2D and GEO as TSPLIB defines them."""
    lines = (DATA / f"{name}.tsp").read_text(encoding="ascii").splitlines()
    geographical = any(line.replace(" ", "") == "EDGE_WEIGHT_TYPE:GEO" for line in lines)
    begin = next(n for n, line in enumerate(lines) if line.startswith("NODE_COORD_SECTION")) + 1
    rows = [line.split() for line in lines[begin:] if len(line.split()) == 3]
    points = [(float(x), float(y)) for _, x, y in rows]
    between = _geographical if geographical else _rounded
    return np.array([[0.0 if a == b else between(a, b) for b in points] for a in points])


def _rounded(a: tuple[float, float], b: tuple[float, float]) -> float:
    return float(int(math.hypot(a[0] - b[0], a[1] - b[1]) + 0.5))


def _geographical(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Kilometres on a sphere between places in degrees.minutes, with TSPLIB's own pi and radius."""
    (lat_a, lon_a), (lat_b, lon_b) = ([_radians(x) for x in place] for place in (a, b))
    q1, q2, q3 = math.cos(lon_a - lon_b), math.cos(lat_a - lat_b), math.cos(lat_a + lat_b)
    return float(int(6378.388 * math.acos(0.5 * ((1 + q1) * q2 - (1 - q1) * q3)) + 1.0))


def _radians(coordinate: float) -> float:
    degrees = int(coordinate)
    return 3.141592 * (degrees + 5.0 * (coordinate - degrees) / 3.0) / 180.0


def closed_length(distances: Floats) -> float:
    """The length of a round trip by way of the project's open path: the beginning gets a twin so far away
    from everything that it is visited last."""
    count = len(distances)
    far = float(distances.max()) * count
    twinned = np.zeros((count + 1, count + 1))
    twinned[:count, :count] = distances
    twinned[count, :count] = twinned[:count, count] = distances[0] + far
    way = shortest_way(twinned, 0)
    assert sorted(way) == list(range(count + 1)) and way[-1] == count
    round_trip = (*way[:-1], 0)
    return float(sum(distances[a, b] for a, b in itertools.pairwise(round_trip)))


@pytest.mark.parametrize("name", OPTIMA)
def test_a_round_trip_is_within_five_per_cent_of_the_published_optimum(name: str) -> None:
    length = closed_length(distances_of(name))

    assert OPTIMA[name] <= length <= 1.05 * OPTIMA[name]


def test_distances_are_those_of_the_library() -> None:
    """The optimal tour of burma14 as the library prints it (from memory) has the published length."""
    tour = [1, 2, 14, 3, 4, 5, 6, 12, 7, 13, 8, 11, 9, 10, 1]
    distances = distances_of("burma14")

    assert sum(distances[a - 1, b - 1] for a, b in itertools.pairwise(tour)) == OPTIMA["burma14"]
