"""What is chosen of a drawing becomes faces: outline, keep-outs and zones with their baselines, each upright.

A drawing says shapes and names. Which name is the outline, which the zones, is chosen by whoever owns the
drawing (`Choice`); where nobody chooses, the plain words for it are looked for. What fits twice is refused
and what is taken for something without being told is said in the notes.
"""

from __future__ import annotations

import fnmatch
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon
from shapely.geometry.polygon import orient

from layout.drawing.rings import CLOSE_MM, Ring, closed_rings, open_line, simplified
from layout.drawing.strokes import FLATTEN_MM, Drawing, DrawingRefused, Stroke, size_mm
from layout.shop.blades import KeepOutReason
from layout.shop.measure import Floats, format_mm

Role = Literal["outline", "body", "hole", "keep_out", "zone", "baseline", "ignore"]
Direction = Literal["down", "up", "left", "right"]

#: What people call the parts of a blade in a drawing: names that begin so, in lower case.
_WORDS: Sequence[tuple[str, Role, KeepOutReason]] = (
    ("outline", "outline", "other"),
    ("silhouette", "outline", "other"),
    ("contour", "outline", "other"),
    ("handle", "body", "other"),
    ("body", "body", "other"),
    ("rest of unit", "body", "other"),
    ("hole", "hole", "hole"),
    ("pivot", "hole", "pivot"),
    ("keep out", "keep_out", "other"),
    ("keepout", "keep_out", "other"),
    ("bevel", "keep_out", "ground_bevel"),
    ("edge", "keep_out", "edge"),
    ("stamp", "keep_out", "existing_mark"),
    ("logo", "keep_out", "existing_mark"),
    ("groove", "keep_out", "hollow"),
    ("hollow", "keep_out", "hollow"),
    ("zone", "zone", "other"),
    ("baseline", "baseline", "other"),
    ("base line", "baseline", "other"),
)
#: A shape counts as round, and is written as a circle, when its corners lie this near to one; larger circles
#: stay polygons, because the catalogue cuts a circle into 96 chords.
_ROUND_MM, _LARGEST_CIRCLE_MM = 0.003, 5.0
#: How far from the face's edge the zone begins that is made where none was drawn.
MADE_ZONE_MM = 1.5


@dataclass(frozen=True, slots=True)
class Choice:
    """Names that stand for a part: a name, or one with * and ? in it; upper and lower case count alike."""

    role: Role
    pattern: str
    reason: KeepOutReason = "other"

    def matches(self, name: str) -> bool:
        return fnmatch.fnmatchcase(name.casefold(), self.pattern.casefold())


@dataclass(frozen=True, slots=True)
class DrawnKeepOut:
    name: str
    reason: KeepOutReason
    polygon: Polygon
    circle: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class DrawnZone:
    """A zone; `made` says that nobody drew it, `baseline_made` that nobody drew its baseline."""

    name: str
    polygon: Polygon
    baseline: tuple[tuple[float, float], ...]
    made: bool = False
    baseline_made: bool = False


@dataclass(frozen=True, slots=True)
class DrawnFace:
    """A face in mm, as the laser sees it. `edge` and `handle` are where those lie, as far as is told."""

    silhouette: Polygon
    body: Polygon | None = None
    keep_outs: tuple[DrawnKeepOut, ...] = ()
    zones: tuple[DrawnZone, ...] = ()
    edge: Direction | None = None
    handle: Direction | None = None


@dataclass(slots=True)
class _Parts:
    """Strokes by part, with the name they were chosen by."""

    strokes: dict[tuple[Role, KeepOutReason, str], list[Stroke]] = field(
        default_factory=lambda: defaultdict(list)
    )
    unused: list[Stroke] = field(default_factory=list)

    def of(self, role: Role) -> list[tuple[KeepOutReason, str, list[Stroke]]]:
        return [(reason, name, s) for (is_role, reason, name), s in self.strokes.items() if is_role == role]


def faces_of(
    drawing: Drawing, choices: Sequence[Choice] = (), *, close_mm: float = CLOSE_MM
) -> tuple[tuple[DrawnFace, ...], tuple[str, ...]]:
    """The faces of a drawing, from left to right, and what was taken for granted on the way.

    Raises DrawingRefused for an outline that can't be told, is open or crosses itself, for a stroke that is
    chosen as two things, and for parts that lie beside every outline.
    """
    parts = _sorted_out(drawing, choices)
    notes: list[str] = []
    if not parts.of("outline"):
        _guess(drawing, parts, notes)
    outlines = [ring for _, _, s in parts.of("outline") for ring in _rings(s, "outline", close_mm, notes)]
    outlines = _inner_ones_out(outlines, parts, notes)
    if not outlines:
        raise DrawingRefused("no shape was chosen as the outline")
    outlines.sort(key=lambda ring: ring.polygon.bounds[0])
    faces = [DrawnFace(simplified(ring.polygon)) for ring in outlines]
    faces = _with_bodies(faces, parts, close_mm, notes)
    faces = _with_keep_outs(faces, parts, close_mm, notes)
    faces = _with_zones(faces, parts, close_mm, notes)
    if parts.unused:
        notes.append(f"not used: {told_names(parts.unused)}")
    return tuple(replace(face, edge=_edge(face), handle=_handle(face)) for face in faces), tuple(notes)


def told_names(strokes: Iterable[Stroke]) -> str:
    """Names of strokes with how many there are and how large they are together, for people."""
    by_name: dict[str, list[Stroke]] = defaultdict(list)
    for stroke in strokes:
        by_name[stroke.names[0] if stroke.names else "without a name"].append(stroke)
    told = []
    for name, named in by_name.items():
        width, height = size_mm(named)
        many = "1 line" if len(named) == 1 else f"{len(named)} lines"
        told.append(f"{name} ({many}, {_number(width)} x {_number(height)} mm)")
    return ", ".join(told[:12]) + (f" and {len(told) - 12} more" if len(told) > 12 else "")


# --- which stroke is what ---


def _sorted_out(drawing: Drawing, choices: Sequence[Choice]) -> _Parts:
    parts = _Parts()
    chosen_roles = {choice.role for choice in choices}
    for choice in choices:
        if not any(choice.matches(name) for name in drawing.names):
            raise DrawingRefused(
                f"nothing in the drawing is named {choice.pattern!r}; there are {told_names(drawing.strokes)}"
            )
    for stroke in drawing.strokes:
        found = _chosen(stroke, choices) or _by_words(stroke, chosen_roles)
        if found is None:
            parts.unused.append(stroke)
        elif found[0] != "ignore":
            parts.strokes[found].append(stroke)
    return parts


def _chosen(stroke: Stroke, choices: Sequence[Choice]) -> tuple[Role, KeepOutReason, str] | None:
    """What a stroke was chosen as. The nearest name counts: its own before those of the groups around."""
    for name in stroke.names:
        matching = {(c.role, c.reason) for c in choices if c.matches(name)}
        if len(matching) > 1:
            roles = " and as ".join(sorted(role.replace("_", "-") for role, _ in matching))
            raise DrawingRefused(
                f"{stroke.entity} is chosen as {roles} by its name {name!r}", strokes=[stroke]
            )
        if matching:
            role, reason = matching.pop()
            return role, reason, _own_name(stroke, name, role)
    return None


def _by_words(stroke: Stroke, chosen_roles: set[Role]) -> tuple[Role, KeepOutReason, str] | None:
    for name in stroke.names:
        plain = re.sub(r"[^a-z0-9]+", " ", name.casefold()).strip()
        for word, role, reason in _WORDS:
            if plain.startswith(word) and role not in chosen_roles:
                return role, reason, _own_name(stroke, name, role)
    return None


def _own_name(stroke: Stroke, name: str, role: Role) -> str:
    """Closed shapes of a group that is chosen go by their own names; lines that only together make a shape,
    by the group's. All that is outline is looked at together."""
    if role == "outline":
        return "outline"
    return stroke.names[0] if stroke.closed or role == "baseline" else name


def _guess(drawing: Drawing, parts: _Parts, notes: list[str]) -> None:
    """Where nothing says which the outline is, and only one name is there to be chosen: everything is
    tried."""
    names = {stroke.names[:1] for stroke in parts.unused}
    if len(names) != 1 and any(stroke.names for stroke in parts.unused):
        raise DrawingRefused(
            f"which of the drawing's names is the outline? There are {told_names(drawing.strokes)}: say "
            "--outline NAME"
        )
    parts.strokes["outline", "other", "outline"] = parts.unused
    parts.unused = []
    notes.append(
        "nothing is named as the outline: the largest closed shape was taken, and those inside it as holes"
    )


def _inner_ones_out(outlines: list[Ring], parts: _Parts, notes: list[str]) -> list[Ring]:
    """The outermost shapes; those inside them are holes."""
    outer = [
        ring
        for ring in outlines
        if not any(o is not ring and o.polygon.buffer(FLATTEN_MM).covers(ring.polygon) for o in outlines)
    ]
    inner = [ring for ring in outlines if ring not in outer]
    for ring in inner:
        points = np.asarray(ring.polygon.exterior.coords)[:-1]
        parts.strokes["hole", "hole", "hole"].append(
            Stroke(points, closed=True, names=("hole",), entity=ring.entity)
        )
    if inner:
        count = "a shape" if len(inner) == 1 else f"{len(inner)} shapes"
        notes.append(f"{count} inside the outline: taken as {'a hole' if len(inner) == 1 else 'holes'}")
    return outer


def _rings(strokes: list[Stroke], what: str, close_mm: float, notes: list[str]) -> list[Ring]:
    rings, more = closed_rings(strokes, what, close_mm)
    notes += more
    return rings


# --- parts of faces ---


def _on(faces: Sequence[DrawnFace], shape: Polygon | LineString) -> int | None:
    """The face that most of a shape lies on."""
    shares = [
        (face.silhouette.intersection(shape).area or face.silhouette.intersection(shape).length, -at)
        for at, face in enumerate(faces)
    ]
    share, at = max(shares)
    return -at if share > 0 else None


def _with_bodies(faces: list[DrawnFace], parts: _Parts, close_mm: float, notes: list[str]) -> list[DrawnFace]:
    for _, name, strokes in parts.of("body"):
        for ring in _rings(strokes, name, close_mm, notes):
            near = min(range(len(faces)), key=lambda at: faces[at].silhouette.distance(ring.polygon))
            if faces[near].silhouette.distance(ring.polygon) > close_mm:
                raise DrawingRefused(
                    f"{name} ({ring.entity}) does not touch the outline", [_middle(ring.polygon)]
                )
            faces[near] = replace(faces[near], body=simplified(ring.polygon))
    return faces


def _with_keep_outs(
    faces: list[DrawnFace], parts: _Parts, close_mm: float, notes: list[str]
) -> list[DrawnFace]:
    found: dict[int, list[DrawnKeepOut]] = defaultdict(list)
    for reason, name, strokes in [*parts.of("hole"), *parts.of("keep_out")]:
        for ring in _rings(strokes, name, close_mm, notes):
            at = _on(faces, ring.polygon)
            if at is None:
                raise DrawingRefused(
                    f"{name} ({ring.entity}) lies beside the outline", [_middle(ring.polygon)]
                )
            found[at].append(
                DrawnKeepOut(_plain(name), reason, simplified(ring.polygon), circle_of(ring.polygon))
            )
    return [replace(face, keep_outs=tuple(_numbered(found[at]))) for at, face in enumerate(faces)]


def _with_zones(faces: list[DrawnFace], parts: _Parts, close_mm: float, notes: list[str]) -> list[DrawnFace]:
    zones: dict[int, list[DrawnZone]] = defaultdict(list)
    for _, name, strokes in parts.of("zone"):
        for ring in _rings(strokes, name, close_mm, notes):
            at = _on(faces, ring.polygon)
            if at is None:
                raise DrawingRefused(
                    f"{name} ({ring.entity}) lies beside the outline", [_middle(ring.polygon)]
                )
            own = re.sub(r"^zones?[\s_.:-]*", "", _plain(name), flags=re.IGNORECASE)
            zones[at].append(DrawnZone(own or "zone", simplified(ring.polygon), (), baseline_made=True))
    lines = [
        (name, _line(strokes, name, close_mm))
        for _, name, group in parts.of("baseline")
        for strokes in _one_by_one(group)
    ]
    for name, line in lines:
        place = _zone_of(zones, line)
        if place is None:
            raise DrawingRefused(f"{name} lies in no zone", [_middle(LineString(line))])
        at, index = place
        if not zones[at][index].baseline_made:
            raise DrawingRefused(
                f"zone {zones[at][index].name} has two baselines", [_middle(LineString(line))]
            )
        zones[at][index] = replace(
            zones[at][index], baseline=tuple((float(x), float(y)) for x, y in line), baseline_made=False
        )
    taken: set[str] = set()
    for at, face in enumerate(faces):
        if not zones[at]:
            zones[at] = [_made_zone(face)]
            notes.append(
                f"no zone is drawn: the whole face, {MADE_ZONE_MM:g} mm from its edge, was taken as one"
            )
        named = [replace(zone, name=_free(zone.name, taken)) for zone in zones[at]]
        zones[at] = named
    return [replace(face, zones=tuple(zones[at])) for at, face in enumerate(faces)]


def _one_by_one(strokes: list[Stroke]) -> list[list[Stroke]]:
    """Lines of one layer that don't touch are baselines of their own."""
    if len(strokes) == 1:
        return [strokes]
    lines = [LineString(s.points) for s in strokes]
    groups: list[list[int]] = []
    for at, line in enumerate(lines):
        touching = [g for g in groups if any(lines[o].distance(line) <= CLOSE_MM for o in g)]
        groups = [g for g in groups if g not in touching] + [sorted([at, *(o for g in touching for o in g)])]
    return [[strokes[at] for at in group] for group in groups]


def _line(strokes: list[Stroke], name: str, close_mm: float) -> Floats:
    points = open_line(strokes, name, close_mm)
    return np.asarray(LineString(points).simplify(FLATTEN_MM).coords)


def _zone_of(zones: Mapping[int, list[DrawnZone]], line: Floats) -> tuple[int, int] | None:
    """The zone that most of a line lies in."""
    drawn = LineString(line)
    shares = [
        (zone.polygon.intersection(drawn).length, at, index)
        for at, of_face in zones.items()
        for index, zone in enumerate(of_face)
    ]
    if not shares or max(shares)[0] == 0:
        return None
    _, at, index = max(shares)
    return at, index


def _made_zone(face: DrawnFace) -> DrawnZone:
    room = face.silhouette.buffer(-MADE_ZONE_MM, join_style="mitre")
    largest = max(shapely.get_parts(room), key=lambda part: part.area, default=None)
    if largest is None or largest.is_empty:
        raise DrawingRefused(
            f"the outline is nowhere wider than {2 * MADE_ZONE_MM:g} mm, and no zone is drawn"
        )
    return DrawnZone("face", simplified(Polygon(largest.exterior)), (), made=True, baseline_made=True)


def circle_of(polygon: Polygon) -> tuple[float, float, float] | None:
    """Middle and radius (mm) of a shape whose corners all lie on a circle that is small enough to be
    written as one; None for others. Fitted by least squares (Kåsa's method, 1976; from memory)."""
    points = np.asarray(polygon.exterior.coords)[:-1]
    if len(points) < 12:
        return None
    x, y = points.T
    system = np.column_stack([2 * x, 2 * y, np.ones(len(points))])
    (cx, cy, rest), *_ = np.linalg.lstsq(system, x**2 + y**2, rcond=None)
    radius = float(np.sqrt(max(0.0, rest + cx**2 + cy**2)))
    off = np.abs(np.hypot(x - cx, y - cy) - radius).max()
    if off > _ROUND_MM or not 0 < radius <= _LARGEST_CIRCLE_MM:
        return None
    if abs(polygon.area - np.pi * radius**2) > 2 * np.pi * radius * _ROUND_MM:
        return None
    return float(cx), float(cy), radius


def _numbered(keep_outs: list[DrawnKeepOut]) -> list[DrawnKeepOut]:
    """The keep-outs from left to right, those of one name with numbers."""
    ordered = sorted(keep_outs, key=lambda k: (k.polygon.centroid.x, k.polygon.centroid.y))
    many = {k.name for k in ordered if sum(o.name == k.name for o in ordered) > 1}
    counts: dict[str, int] = defaultdict(int)
    numbered = []
    for keep_out in ordered:
        counts[keep_out.name] += 1
        name = f"{keep_out.name} {counts[keep_out.name]}" if keep_out.name in many else keep_out.name
        numbered.append(replace(keep_out, name=name))
    return numbered


def _free(name: str, taken: set[str]) -> str:
    number, free = 2, name
    while free in taken:
        free, number = f"{name} {number}", number + 1
    taken.add(free)
    return free


def _plain(name: str) -> str:
    """A name as the shop's description takes them."""
    plain = re.sub(r"\s+", " ", re.sub(r"[^A-Za-z0-9 _.'#-]", " ", name)).strip(" _.'#-")
    return plain[:48] or "part"


def _middle(shape: Polygon | LineString) -> tuple[float, float]:
    point = shape.representative_point()
    return round(float(point.x), 2), round(float(point.y), 2)


# --- which way up ---

DEGREES: Mapping[Direction, float] = {"right": 0.0, "up": 90.0, "left": 180.0, "down": 270.0}
_OPPOSITE: Mapping[Direction, Direction] = {"right": "left", "left": "right", "up": "down", "down": "up"}


def _edge(face: DrawnFace) -> Direction | None:
    """On which side the ground bevel or the edge lies, where one is drawn on one side only."""
    bevels = [k.polygon for k in face.keep_outs if k.reason == "ground_bevel"] or [
        k.polygon for k in face.keep_outs if k.reason == "edge"
    ]
    if not bevels:
        return None
    on_blade = shapely.union_all(bevels).intersection(face.silhouette)
    x0, y0, x1, y1 = face.silhouette.bounds
    dx = (on_blade.centroid.x - (x0 + x1) / 2) / (x1 - x0)
    dy = (on_blade.centroid.y - (y0 + y1) / 2) / (y1 - y0)
    if max(abs(dx), abs(dy)) < 0.15:
        return None
    if abs(dy) >= abs(dx):
        return "up" if dy > 0 else "down"
    return "right" if dx > 0 else "left"


def _handle(face: DrawnFace) -> Direction | None:
    """Where the handle is drawn."""
    if face.body is None:
        return None
    rest = face.body.difference(face.silhouette)
    dx = rest.centroid.x - face.silhouette.centroid.x
    dy = rest.centroid.y - face.silhouette.centroid.y
    if abs(dx) >= abs(dy):
        return "right" if dx > 0 else "left"
    return "up" if dy > 0 else "down"


def upright(
    face: DrawnFace, edge: Direction | None, handle: Direction, *, keep_origin: bool = False
) -> tuple[DrawnFace, float]:
    """The face turned as such things are looked at, its origin at the outline's handle end and half its
    height; and the turn in degrees.

    A blade that is long towards its handle lies with its edge down; one without an edge beside its handle (an
    oyster knife, a chisel) with its handle at the left; a head that is long from poll to edge stays as it
    was drawn.

    Raises DrawingRefused when the edge or handle that is drawn lies on another side than is said: then the
    drawing is upside down or the wrong way round, and words would be burned so.
    """
    for what, drawn, said in (("edge", face.edge, edge), ("handle", face.handle, handle)):
        if drawn is not None and said is not None and drawn != said:
            turned = (
                "upside down"
                if drawn in ("up", "down") and drawn == _OPPOSITE[said]
                else "the wrong way round"
            )
            raise DrawingRefused(
                f"the {what} is said to point {said}, and the drawing has it {drawn}: is the drawing "
                f"{turned}?"
            )
    turn = _turn(face.silhouette, edge, handle)
    after = (DEGREES[handle] + turn) % 360
    points_to: Direction = next(name for name, degrees in DEGREES.items() if degrees == after)
    turned_face = _moved(face, lambda shape: affinity.rotate(shape, turn, origin=(0, 0)))
    if not keep_origin:
        x0, y0, x1, y1 = turned_face.silhouette.bounds
        x = {"left": x0, "right": x1}.get(points_to, (x0 + x1) / 2)
        y = {"down": y0, "up": y1}.get(points_to, (y0 + y1) / 2)
        turned_face = _moved(turned_face, lambda shape: affinity.translate(shape, -x, -y))
    zones = tuple(_with_baseline(zone) for zone in turned_face.zones)
    return replace(turned_face, zones=zones, edge=_edge(turned_face), handle=points_to), turn


#: How many times as long as wide a blade is that is long towards its handle.
_LONG = 1.15


def _turn(silhouette: Polygon, edge: Direction | None, handle: Direction) -> float:
    """By how many degrees a face is turned, as `upright` says."""
    beside = edge is not None and edge not in (handle, _OPPOSITE[handle])
    if not beside:
        return (DEGREES["left"] - DEGREES[handle]) % 360
    x0, y0, x1, y1 = silhouette.bounds
    along, across = (x1 - x0, y1 - y0) if handle in ("left", "right") else (y1 - y0, x1 - x0)
    return (DEGREES["down"] - DEGREES[edge or "down"]) % 360 if along > _LONG * across else 0.0


def _moved(face: DrawnFace, move: object) -> DrawnFace:
    assert callable(move)

    def keep_out(k: DrawnKeepOut) -> DrawnKeepOut:
        circle = None
        if k.circle is not None:
            middle = move(shapely.Point(k.circle[:2]))
            circle = (float(middle.x), float(middle.y), k.circle[2])
        return replace(k, polygon=move(k.polygon), circle=circle)

    return replace(
        face,
        silhouette=move(face.silhouette),
        body=None if face.body is None else move(face.body),
        keep_outs=tuple(keep_out(k) for k in face.keep_outs),
        zones=tuple(
            replace(
                z,
                polygon=move(z.polygon),
                baseline=tuple(move(LineString(z.baseline)).coords) if z.baseline else (),
            )
            for z in face.zones
        ),
    )


def _with_baseline(zone: DrawnZone) -> DrawnZone:
    """The zone with a baseline that runs to the right: words stand upright on it while the edge is down."""
    if zone.baseline:
        (ax, ay), (bx, by) = zone.baseline[0], zone.baseline[-1]
        stands = abs(bx - ax) < 0.01 * abs(by - ay)  # its direction was meant: nothing tells up from down
        return zone if stands or ax <= bx else replace(zone, baseline=zone.baseline[::-1])
    x0, y0, x1, y1 = zone.polygon.bounds
    level = (y0 + y1) / 2
    across = zone.polygon.intersection(LineString([(x0 - 1, level), (x1 + 1, level)]))
    longest = max(shapely.get_parts(across), key=lambda part: part.length)
    left, right = longest.bounds[0], longest.bounds[2]
    return replace(zone, baseline=((left, level), (right, level)))


def mirrored_zones(face: DrawnFace, taken: Iterable[str]) -> tuple[DrawnZone, ...]:
    """The zones of a face as its other side shows them, seen from behind, under names of their own."""
    names = set(taken)
    return tuple(
        replace(
            zone,
            name=_free(f"{zone.name} back", names),
            polygon=orient(affinity.scale(zone.polygon, -1, 1, origin=(0, 0))),
            baseline=tuple((-x, y) for x, y in reversed(zone.baseline)),
        )
        for zone in face.zones
    )


def _number(value: float) -> str:
    return format_mm(round(value, 1))
