"""Blades from their files: silhouettes, keep-outs and zones as geometry."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from layout.shop.blades import Blade, Face, KeepOut, Surface, Zone
from service.shop.catalogue.schema import BladeFile, FaceFile, KeepOutFile, KeepOutRowFile, ZoneFile
from service.shop.catalogue.sentences import unknown
from service.shop.catalogue.shapes import ShapeRefused, baseline_of, mirrored, polygon_of
from service.shop.catalogue.troubles import Trouble

T = TypeVar("T")


class BladeReading:
    """Turns one blade's file into a Blade, collecting what is wrong instead of stopping at the first."""

    def __init__(self, file: str, every_font: tuple[str, ...], troubles: list[Trouble]) -> None:
        self.file = file
        self.every_font = every_font
        self.troubles = troubles

    def blade(self, content: BladeFile) -> Blade | None:
        """The blade, or None when any of its faces is wrong."""
        before = len(self.troubles)
        faces: dict[str, Face] = {}
        broken: set[str] = set()
        for index, entry in enumerate(content.face):
            place = f"face[{index}]"
            if entry.face in faces:
                self._say(f"{place}.face", f"face {entry.face!r} stands twice")
                continue
            if entry.mirror_of in broken:
                continue  # reported once, at the face it mirrors
            before_face = len(self.troubles)
            face = self._face(place, entry, faces)
            if face is None or len(self.troubles) > before_face:
                broken.add(entry.face)
            else:
                faces[face.face] = face
        if len(self.troubles) > before:
            return None
        return Blade(content.blade, content.name, tuple(faces.values()), content.bare, tuple(content.inspect))

    def _face(self, place: str, entry: FaceFile, faces: Mapping[str, Face]) -> Face | None:
        drawn = (
            self._mirrored(place, entry, faces) if entry.mirror_of is not None else self._drawn(place, entry)
        )
        own = self._keep_outs(place, entry)
        zones = [
            zone
            for index, z in enumerate(entry.zone)
            if (zone := self._attempt(f"{place}.zone[{index}]", lambda z=z: zone_of(z, self.every_font)))  # type: ignore[misc]
        ]
        if drawn is None:
            return None
        silhouette, body, taken_over = drawn
        return Face(entry.face, silhouette, tuple(zones), (*taken_over, *own), entry.handle_deg, body=body)

    def _mirrored(
        self, place: str, entry: FaceFile, faces: Mapping[str, Face]
    ) -> tuple[Polygon, Polygon | None, list[KeepOut]] | None:
        twin = faces.get(entry.mirror_of or "")
        if twin is None:
            self._say(f"{place}.mirror_of", f"no face {entry.mirror_of!r} before this one")
            return None
        known = [k.keep_out for k in twin.keep_outs]
        for name in sorted(set(entry.leave_out) - set(known)):
            self._say(
                f"{place}.leave_out", unknown(f"face {twin.face!r} has no keep-out {name!r}", name, known)
            )
        kept = [
            KeepOut(k.keep_out, k.reason, mirrored(k.polygon))
            for k in twin.keep_outs
            if k.keep_out not in entry.leave_out
        ]
        return mirrored(twin.silhouette), None if twin.body is None else mirrored(twin.body), kept

    def _drawn(self, place: str, entry: FaceFile) -> tuple[Polygon, Polygon | None, list[KeepOut]] | None:
        shape, beyond_silhouette = entry.silhouette, entry.rest_of_unit
        assert shape is not None  # the schema asks for a silhouette or a face to mirror
        silhouette = self._attempt(f"{place}.silhouette", lambda: polygon_of(shape))
        other = None
        if beyond_silhouette is not None:
            other = self._attempt(f"{place}.rest_of_unit", lambda: polygon_of(beyond_silhouette))
        if silhouette is None or (beyond_silhouette is not None and other is None):
            return None
        if other is None:
            return silhouette, None, []
        body = silhouette.union(other)
        if not isinstance(body, Polygon):
            self._say(f"{place}.rest_of_unit", "it does not join the silhouette")
            return None
        return silhouette, orient(body), []

    def _keep_outs(self, place: str, entry: FaceFile) -> list[KeepOut]:
        keep_outs: list[KeepOut] = []
        for kind, entries in (("keep_out", entry.keep_out), ("keep_out_row", entry.keep_out_row)):
            for index, k in enumerate(entries):
                polygon = self._attempt(f"{place}.{kind}[{index}].shape", lambda k=k: polygon_of(k.shape))  # type: ignore[misc]
                if polygon is not None:
                    keep_outs += keep_outs_of(k, polygon)
        return keep_outs

    def _attempt(self, place: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except ShapeRefused as error:
            self.troubles.append(Trouble(self.file, place, str(error), sketch=error.sketch))
        except ValueError as error:
            self._say(place, str(error))
        return None

    def _say(self, place: str, reason: str) -> None:
        self.troubles.append(Trouble(self.file, place, reason))


def keep_outs_of(entry: KeepOutFile, polygon: Any) -> list[KeepOut]:
    """One keep-out, or a row of the same, numbered from 1."""
    if not isinstance(entry, KeepOutRowFile):
        return [KeepOut(entry.keep_out, entry.reason, polygon)]
    (x, y), (dx, dy) = entry.start, entry.step
    return [
        KeepOut(
            f"{entry.keep_out} {i + 1}", entry.reason, affinity.translate(polygon, x + i * dx, y + i * dy)
        )
        for i in range(entry.count)
    ]


def zone_of(z: ZoneFile, every_font: tuple[str, ...]) -> Zone:
    """A zone. Raises ValueError when its polygon or baseline is none."""
    return Zone(
        zone=z.zone,
        polygon=polygon_of(z.polygon),
        baseline=baseline_of(z.baseline),
        kinds=frozenset(z.kinds),
        fonts=every_font if z.fonts == "all" else tuple(z.fonts),
        max_lines=z.max_lines,
        min_height_mm=z.min_height_mm,
        max_height_mm=z.max_height_mm,
        edge_margin_mm=z.edge_margin_mm,
        align=z.align,
        slide=z.slide,
        anchor=z.anchor,
        leading=z.leading,
        letter_spacing=z.letter_spacing,
        features=dict(z.features),
        usual_height_mm=z.usual_height_mm,
        usual_room_mm=z.edge_margin_mm if z.usual_room_mm is None else z.usual_room_mm,
        max_graphemes=z.max_graphemes,
        characters=frozenset(z.characters),
        signs=z.signs,
        surface=Surface(z.material, z.finish) if z.material and z.finish else None,
    )
