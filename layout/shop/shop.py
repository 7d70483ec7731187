"""The whole shop in one value, with the look-ups that everybody needs: fonts, artwork, policy, recipes."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from layout.shop.assembly import DEFAULT_ASSEMBLY, Assembly
from layout.shop.blades import Blade, Face, Product, Surface
from layout.shop.counts import DEFAULT_JUMP, CountJump
from layout.shop.outline import Outline
from layout.shop.people import NO_HANDLING, Handling, Pickups, Shift
from layout.shop.plan_weights import DEFAULT_WEIGHTS, ScoreWeights
from layout.shop.plates import Plate
from layout.shop.stations import Process, Station
from layout.shop.stores import Store
from layout.shop.upkeep import Supply
from layout.shop.words import NO_WORD_RULES, WordRules


@dataclass(frozen=True, slots=True)
class FontSpec:
    """A font of the shop's list: its bytes and which instance of it. `data` is hashed in `sha256`."""

    font: str
    name: str
    kind: Literal["outline", "single_line"]
    style: str  # sans, serif, script, display, condensed, mono, single_line, ... for the desk's list
    licence: str
    data: bytes = field(repr=False)
    sha256: str
    face_index: int = 0
    axes: tuple[tuple[str, float], ...] = ()
    height_letter: str = ""  # whose height counts as the capital height, in place of H or x

    @property
    def identity(self) -> tuple[object, ...]:
        """What the shapes and sizes of its letters depend on."""
        own = (self.sha256, self.face_index, self.axes)
        return (*own, self.height_letter) if self.height_letter else own


@dataclass(frozen=True, slots=True)
class Artwork:
    """A mark of the shop's library at its natural size (mm, y up). A frame has a box for initials."""

    artwork: str
    name: str
    use: Literal["mark", "symbol", "frame"]
    outline: Outline
    initials_box_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Policy:
    """What this shop calls legible and makeable; its own choice, no standard."""

    stroke_lines: float = 1.5  # thinnest stroke without centre lines, as a multiple of the line's width
    open_lines: float = 0.5  # what must stay open of a counter when burned, as a multiple of the line's width
    bolder_note: float = 1.5  # a stroke burned more times as wide as drawn is worth a note,
    bolder_review: float = 4.0  # and more than this a look by a person
    review_height_mm: float = 2.0  # capitals below this are looked at by a person
    max_graphemes_per_line: int = 40
    max_graphemes: int = 200
    code_cell_lines: float = 3.0  # smallest module of a code, as a multiple of the line's width
    time_zone: str = "UTC"  # IANA name of the zone of the stations' hours
    days_off: tuple[str, ...] = ()  # ISO dates on which nobody works
    shifts: tuple[Shift, ...] = ()  # people at work; none: one at every station while it is open
    handling: Handling = NO_HANDLING
    pickups: Pickups | None = None  # none: what is ready by its ship-by time is in time
    shelves: tuple[str, ...] = ()  # of the packing rack, in the order in which they are filled
    inserts: tuple[str, ...] = ()  # what goes into every parcel besides, such as a care card
    supplies: tuple[Supply, ...] = ()  # what is used up: bags, boxes, labels
    shop_name: str = ""  # as its buyers know it
    assembly: Assembly = DEFAULT_ASSEMBLY
    count_jump: CountJump = DEFAULT_JUMP
    plan: ScoreWeights = DEFAULT_WEIGHTS  # what counts among plans equally late, with equally many loads


@dataclass(frozen=True, slots=True)
class Shop:
    """Everything that a check or a plan needs to know of the shop, at one version (a digest)."""

    version: str
    products: Mapping[str, Product]
    blades: Mapping[str, Blade]
    plates: Mapping[str, Plate]
    stations: Mapping[str, Station]
    processes: Mapping[str, Process]
    fonts: Mapping[str, FontSpec]
    artworks: Mapping[str, Artwork]
    policy: Policy
    stores: Mapping[str, Store] = field(default_factory=dict)
    words: WordRules = NO_WORD_RULES

    def product_of(self, code: str) -> Product | None:
        """The product that a box's barcode, or a typed number, stands for."""
        return next((p for p in self.products.values() if code in p.barcodes or code == p.sku), None)

    def inspected(self, sku: str) -> tuple[str, ...]:
        """The points by which a unit of a product is inspected before it is boxed: every unit's, its blade's,
        its own, each once. Raises KeyError."""
        product = self.products[sku]
        points = (*self.policy.assembly.inspect, *self.blades[product.blade].inspect, *product.inspect)
        return tuple(dict.fromkeys(points))

    def process_for(self, station: str, surface: Surface) -> Process | None:
        """The usable process (test card recorded) of a station for a surface, if there is one."""
        recipe = self.recipe_for(station, surface)
        return recipe if recipe is not None and recipe.test_card is not None else None

    def recipe_for(self, station: str, surface: Surface) -> Process | None:
        """The process of a station for a surface, proven or not; the catalogue holds at most one."""
        return next(
            (p for _, p in sorted(self.processes.items()) if p.station == station and p.surface == surface),
            None,
        )

    def surface_of(self, sku: str, zone: str) -> Surface:
        """Material and finish of the metal in that zone. Raises KeyError."""
        return self.face_of_zone(sku, zone).zone(zone).surface or self.products[sku].surface

    def face_of_zone(self, sku: str, zone: str) -> Face:
        """The face of a product's blade that has that zone. Raises KeyError."""
        return self.blades[self.products[sku].blade].face_of_zone(zone)
