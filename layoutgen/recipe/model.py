"""The recipe as frozen models: one class per mapping, one attribute per key.

Attribute names are the recipe's keys with the unit behind them: `pitch: 400 nm` becomes
`lattice.pitch_nm == 400.0`. Lengths are floats in nm, angles degrees, dose uC/cm2, current nA,
times seconds, frequencies Hz, scales ppm, file sizes bytes. Points are (x, y) tuples. Text
becomes numbers here and nowhere else; the rooms behind trust these types.

What one key can tell by itself is checked here; what takes two keys, or a file, in `load`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    WithJsonSchema,
    model_validator,
)

from layoutgen.units import KINDS, parse_quantity, plain, quantity_pattern

__all__ = [
    "Backscatter", "Box", "Cross", "Deflector", "DensityPad", "Diameters", "Die", "DieItem",
    "Exposure", "ForeignCell", "InsteadSites", "KeepOut", "LabelText", "Ladder", "LatticeKeys",
    "Lens", "Mark", "Output", "Pad", "PhaseTerm", "PillarKeys", "Recipe", "Reference",
    "Replication", "Step", "StripPad", "UniformPad", "Vernier", "Wafer", "Wants", "Zone", "dump",
]  # fmt: skip


class Wants:
    """Words for what a key wants; rides in a type's annotations and is read by the error texts."""

    def __init__(self, words: str, example: str) -> None:
        self.words = words
        self.example = example


def _quantity(
    kind: str, low: str, high: str, example: str | None = None
) -> tuple[BeforeValidator, WithJsonSchema, Wants]:
    """Validator, schema and words of a kind; `low` and `high` bound what is not zero, either sign.

    The bounds are far outside of what anyone means. They stop slips such as a metre for a
    millimetre, and keep every later number far from overflow.
    """
    words, usual, _ = KINDS[kind]
    shown = example or usual
    least, most = parse_quantity(low, kind), parse_quantity(high, kind)

    def parse(value: object) -> float:
        number = parse_quantity(value, kind, shown)
        if number != 0 and not least <= abs(number) <= most:
            raise ValueError(f"want {words} from {low} to {high}, got {plain(value)}")
        return number

    schema = {"type": "string", "pattern": quantity_pattern(kind), "examples": [shown]}
    return BeforeValidator(parse), WithJsonSchema(schema), Wants(words, shown)


_length, _length_schema, _length_words = _quantity("length", "1 pm", "1 m")
_distance, _distance_schema, _distance_words = _quantity("length", "1 pm", "1 m", "3 mm")
_optical, _optical_schema, _optical_words = _quantity("length", "1 nm", "1000000 m", "3 mm")
_angle, _angle_schema, _angle_words = _quantity("angle", "1e-9 deg", "360 deg")
_scale, _scale_schema, _scale_words = _quantity("scale", "1e-3 ppb", "1e5 ppm")
_dose, _dose_schema, _dose_words = _quantity("dose", "1e-3 uC/cm2", "1e6 mC/cm2")
_current, _current_schema, _current_words = _quantity("current", "1e-3 pA", "1e3 uA")
_time, _time_schema, _time_words = _quantity("time", "1e-3 ns", "1000 h")
_frequency, _frequency_schema, _frequency_words = _quantity("frequency", "1 Hz", "1000 GHz")
_bytes, _bytes_schema, _bytes_words = _quantity("bytes", "1 B", "1000 TB")

# Lengths of the pillar's scale and, only the example in a message differs, of the wafer's.
Length = Annotated[float, _length, _length_schema, _length_words]
PositiveLength = Annotated[float, _length, Field(gt=0), _length_schema, _length_words]
NonNegativeLength = Annotated[float, _length, Field(ge=0), _length_schema, _length_words]
Distance = Annotated[float, _distance, _distance_schema, _distance_words]
PositiveDistance = Annotated[float, _distance, Field(gt=0), _distance_schema, _distance_words]
NonNegativeDistance = Annotated[float, _distance, Field(ge=0), _distance_schema, _distance_words]
# From a lens to its focus, object or image; a far object is as good as collimated light.
OpticalDistance = Annotated[float, _optical, Field(gt=0), _optical_schema, _optical_words]
Angle = Annotated[float, _angle, _angle_schema, _angle_words]
Scale = Annotated[float, _scale, _scale_schema, _scale_words]
Dose = Annotated[float, _dose, Field(gt=0), _dose_schema, _dose_words]
Current = Annotated[float, _current, Field(gt=0), _current_schema, _current_words]
Time = Annotated[float, _time, Field(ge=0), _time_schema, _time_words]
Frequency = Annotated[float, _frequency, Field(gt=0), _frequency_schema, _frequency_words]
Bytes = Annotated[float, _bytes, Field(gt=0), _bytes_schema, _bytes_words]
Point = tuple[Distance, Distance]
Site = tuple[int, int]
NAME_PATTERN = r"^[A-Za-z0-9-]+$"
Name = Annotated[str, Field(pattern=NAME_PATTERN, max_length=64)]


def _tuples(value: Any) -> Any:
    """Lists as tuples, all the way down: the models are frozen, and strict about the difference."""
    if isinstance(value, (list, tuple)):
        return tuple(_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return value


class Model(BaseModel):
    """Unknown keys are errors, values are frozen, a number is not text and text is not a number."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, populate_by_name=False
    )

    @model_validator(mode="before")
    @classmethod
    def _freeze_lists(cls, value: Any) -> Any:
        return _tuples(value)


class LatticeKeys(Model):
    """Where pillars may stand."""

    kind: Literal["square", "hexagonal"] = Field(description="arrangement of the sites")
    pitch_nm: PositiveLength = Field(
        alias="pitch", description="distance between neighbours along a row"
    )


class Diameters(Model):
    """What may stand on the master, replication taken off (squares: sides)."""

    min_nm: PositiveLength = Field(alias="min", description="smallest diameter on the master")
    max_nm: PositiveLength = Field(alias="max", description="largest diameter on the master")


class Ladder(Model):
    """The drawn sizes: every size in the file is one of them (squares: sides)."""

    min_nm: PositiveLength = Field(alias="min", description="smallest drawn size")
    max_nm: PositiveLength = Field(alias="max", description="largest drawn size")
    step_nm: PositiveLength = Field(alias="step", description="from one drawn size to the next")


class PillarKeys(Model):
    """The pillars: their phase library, shape and limits."""

    library: str = Field(min_length=1, description="CSV of size, phase and transmission")
    height_nm: PositiveLength | None = Field(
        None, alias="height", description="pillar height, for the aspect ratio"
    )
    vertices: int = Field(
        8,
        ge=4,
        le=256,
        description="corners of a drawn pillar: 4 is a square, else a multiple of 8",
    )
    diameter: Diameters = Field(description="limits on the master")
    ladder: Ladder = Field(description="the drawn sizes")
    min_gap_nm: NonNegativeLength | None = Field(
        None, alias="min_gap", description="least distance between neighbouring shapes"
    )
    max_aspect_ratio: float | None = Field(
        None, gt=0, le=1000, description="largest height over diameter"
    )


# --- phase terms ------------------------------------------------------------------------------


class Term(Model):
    """What every phase term takes."""

    centre_nm: Point = Field(
        (0.0, 0.0), alias="centre", description="[x, y] of the term's axis from the lens's own"
    )


class FocusTerm(Term):
    """A plane wave to a point on the axis."""

    kind: Literal["focus"]
    focal_length_nm: OpticalDistance = Field(alias="focal_length", description="lens to focus")


class RelayTerm(Term):
    """A point on one side to a point on the other."""

    kind: Literal["relay"]
    object_distance_nm: OpticalDistance = Field(
        alias="object_distance", description="object point to lens"
    )
    image_distance_nm: OpticalDistance = Field(
        alias="image_distance", description="lens to image point"
    )


class PolynomialTerm(Term):
    """Even powers of r over half the aperture."""

    kind: Literal["polynomial"]
    coefficients: tuple[float, ...] = Field(
        min_length=1, max_length=64, description="[a1, a2, ...] in rad, for r^2, r^4, ..."
    )


class TiltTerm(Term):
    """Steers light by an angle."""

    kind: Literal["tilt"]
    angle_deg: Angle = Field(alias="angle", description="steering angle behind the lens")
    direction_deg: Angle = Field(
        alias="direction", description="towards where, counter-clockwise from +x"
    )
    index: float = Field(
        1.0, ge=0.1, le=10, description="refractive index in which the angle is meant"
    )


class SpiralTerm(Term):
    """A phase that grows with the azimuth."""

    kind: Literal["spiral"]
    charge: int = Field(
        ge=-10_000, le=10_000, description="turns of phase per turn around the axis"
    )


class CylinderTerm(Term):
    """Focus in one coordinate only."""

    kind: Literal["cylinder"]
    focal_length_nm: OpticalDistance = Field(alias="focal_length", description="lens to line focus")
    direction_deg: Angle = Field(
        alias="direction", description="along which light is focused, counter-clockwise from +x"
    )


class AxiconTerm(Term):
    """A cone of phase."""

    kind: Literal["axicon"]
    angle_deg: Angle = Field(alias="angle", description="steering angle towards the axis")


class ZernikeTerm(Term):
    """Zernike polynomials, OSA/ANSI single index (ISO 24157), unit variance over the disc."""

    kind: Literal["zernike"]
    coefficients: dict[int, float] = Field(
        min_length=1, description="single index j from 0: coefficient in rad"
    )
    radius_nm: PositiveDistance | None = Field(
        None, alias="radius", description="of the unit disc; half the aperture unless given"
    )


class SampledTerm(Term):
    """An unwrapped phase given on a grid."""

    kind: Literal["sampled"]
    file: str = Field(
        min_length=1, description=".npy or .csv in rad, [row, col] = [y, x], lowest y first"
    )
    pitch_nm: PositiveLength = Field(alias="pitch", description="distance between samples")


PhaseTerm = Annotated[
    FocusTerm | RelayTerm | PolynomialTerm | TiltTerm | SpiralTerm | CylinderTerm | AxiconTerm
    | ZernikeTerm | SampledTerm,
    Field(discriminator="kind"),
]  # fmt: skip


class Lens(Model):
    """One lens design; dies place it."""

    name: Name = Field(description="by which dies call it")
    wavelength_nm: PositiveLength = Field(alias="wavelength", description="design wavelength")
    aperture_nm: PositiveDistance = Field(alias="aperture", description="diameter of the optics")
    centre: Literal["gap", "site"] = Field(
        "gap", description="axis between four pillars (gap) or on one (site)"
    )
    collar_nm: NonNegativeDistance = Field(
        0.0, alias="collar", description="width of the ring of dummy pillars around the aperture"
    )
    phase: tuple[PhaseTerm, ...] = Field(min_length=1, description="terms, which add up")
    lattice: LatticeKeys | None = Field(None, description="holds here instead of the recipe's")
    pillars: PillarKeys | None = Field(None, description="hold here instead of the recipe's")


# --- replication and exposure -----------------------------------------------------------------


class Step(Model):
    """One replication step."""

    name: Name = Field(description="the stage's name in SEM files")
    bias_nm: Length = Field(
        0.0, alias="bias", description="pillars after the step minus before it; positive is larger"
    )
    scale_ppm: Scale = Field(
        0.0, alias="scale", description="how much larger the part comes out of the step"
    )


class Replication(Model):
    """From the master to the part."""

    transfers: Literal["even", "odd"] = Field(
        "even", description="number of transfers; odd mirrors the layout and inverts its tone"
    )
    labels: Literal["part", "master"] = Field("part", description="where labels read right")
    steps: tuple[Step, ...] = Field((), description="in the order in which they are done")


class Backscatter(Model):
    """One backscatter term of the exposure model."""

    term: Literal["gaussian", "exponential", "power"] = Field(description="shape of the term")
    range_nm: PositiveLength = Field(alias="range", description="its range b")
    ratio: float = Field(gt=0, le=100, description="its weight, that of the forward term being 1")
    exponent: float = Field(2.0, gt=1, le=100, description="q of a power term")


class Reference(Model):
    """The array that the base dose is set for."""

    density: float = Field(ge=0, le=1, description="exposed fraction around the pillar")
    diameter_nm: PositiveLength = Field(alias="diameter", description="that prints to size")


class Exposure(Model):
    """The e-beam writer and its resist."""

    exposed: Literal["shapes", "background"] = Field(
        "shapes", description="whether the beam writes the shapes or what is between them"
    )
    frame_width_nm: PositiveLength | None = Field(
        None, alias="frame_width", description="growth of each outline to its frame; for background"
    )
    forward_range_nm: PositiveLength | None = Field(
        None, alias="forward_range", description="range alpha of the forward term"
    )
    backscatter: tuple[Backscatter, ...] = Field((), description="terms, which add up")
    reference: Reference | None = Field(None, description="the array the base dose is set for")
    bias_table: str | None = Field(
        None, min_length=1, description="CSV of density, master diameter and bias"
    )
    address_grid_nm: PositiveLength | None = Field(
        None, alias="address_grid", description="of the writer; the database unit unless given"
    )
    write_field_nm: PositiveLength | None = Field(
        None, alias="write_field", description="largest side of a write field"
    )
    dose_uc_cm2: Dose | None = Field(None, alias="dose", description="base dose")
    current_na: Current | None = Field(None, alias="current", description="beam current")
    beam_step_nm: PositiveLength | None = Field(
        None, alias="beam_step", description="from one exposed spot to the next"
    )
    max_clock_hz: Frequency | None = Field(
        None, alias="max_clock", description="largest rate of spots"
    )
    shape_time_s: Time = Field(0.0, alias="shape_time", description="overhead per figure")
    field_time_s: Time = Field(0.0, alias="field_time", description="overhead per write field")


# --- what stands on a die ---------------------------------------------------------------------


class Deflector(Model):
    """A grating of pillars that steers light into one order."""

    name: Name = Field(description="by which dies call it")
    period: Site = Field(
        description="lattice vector [columns, rows] over which the phase turns once"
    )
    size_nm: PositiveDistance = Field(alias="size", description="side of its square")
    wavelength_nm: PositiveLength = Field(alias="wavelength", description="design wavelength")
    lattice: LatticeKeys | None = Field(None, description="holds here instead of the recipe's")
    pillars: PillarKeys | None = Field(None, description="hold here instead of the recipe's")


class UniformPad(Model):
    """A row of squares, each of one diameter."""

    name: Name = Field(description="by which dies call it")
    kind: Literal["uniform"]
    diameters_nm: tuple[PositiveLength, ...] = Field(
        alias="diameters", min_length=1, description="masters, left to right"
    )
    size_nm: PositiveDistance = Field(alias="size", description="side of one square")
    lattice: LatticeKeys | None = Field(None, description="holds here instead of the recipe's")
    pillars: PillarKeys | None = Field(None, description="hold here instead of the recipe's")


class DensityPad(Model):
    """Small cores of one diameter, each in surroundings of a chosen density."""

    name: Name = Field(description="by which dies call it")
    kind: Literal["density"]
    probes_nm: tuple[PositiveLength, ...] = Field(
        alias="probes", min_length=1, description="masters of the cores, one per column"
    )
    densities: tuple[Annotated[float, Field(gt=0, lt=1)], ...] = Field(
        min_length=1, description="at the cores' centres, one per row"
    )
    lattice: LatticeKeys | None = Field(None, description="holds here instead of the recipe's")
    pillars: PillarKeys | None = Field(None, description="hold here instead of the recipe's")


class StripPad(Model):
    """Strips side by side, each of one diameter: for cleaving across, step heights and film thickness."""

    name: Name = Field(description="by which dies call it")
    kind: Literal["strips"]
    diameters_nm: tuple[PositiveLength, ...] = Field(
        alias="diameters", min_length=1, description="masters, from low to high y (or x)"
    )
    length_nm: PositiveDistance = Field(alias="length", description="of a strip")
    width_nm: PositiveDistance = Field(alias="width", description="of a strip")
    direction: Literal["x", "y"] = Field("x", description="that the strips run along")
    blank: bool = Field(False, description="one more strip beside them stays empty")
    lattice: LatticeKeys | None = Field(None, description="holds here instead of the recipe's")
    pillars: PillarKeys | None = Field(None, description="hold here instead of the recipe's")


Pad = Annotated[UniformPad | DensityPad | StripPad, Field(discriminator="kind")]


class ForeignCell(Model):
    """A cell of another layout file, placed as it is."""

    name: Name = Field(description="by which dies call it")
    file: str = Field(min_length=1, description="GDSII or OASIS file")
    cell: str = Field(min_length=1, description="name of the cell in that file")


class LabelText(Model):
    """A label that is the same on every die."""

    text: str = Field(
        min_length=1, max_length=64, pattern=r"^[ -~]+$", description="printable ASCII"
    )


def _label_tag(value: Any) -> str:
    return "text" if isinstance(value, (dict, LabelText)) else "die"


Label = Annotated[
    Annotated[Literal["die"], Tag("die")] | Annotated[LabelText, Tag("text")],
    Discriminator(_label_tag),
    Wants("die or {text: ...}", "die"),
]


class DieItem(Model):
    """Exactly one of lens, deflector, pad, label, cell; load.py sees to it."""

    lens: Name | None = Field(None, description="a lens's name")
    deflector: Name | None = Field(None, description="a deflector's name")
    pad: Name | None = Field(None, description="a pad's name")
    label: Label | None = Field(
        None, description="die (its column and row) or {text: ...}, drawn as polygons"
    )
    cell: Name | None = Field(None, description="a foreign cell's name")
    at_nm: Point = Field(alias="at", description="[x, y] of its centre from the die's")
    height_nm: PositiveLength | None = Field(
        None, alias="height", description="of a label's letters"
    )
    bias_nm: Length = Field(
        0.0, alias="bias", description="split: drawn that much larger (lens, deflector, pad)"
    )
    dose: float = Field(1.0, ge=0.01, le=100, description="split: relative to the base dose")


Die = tuple[DieItem, ...]


class KeepOut(Model):
    """A rectangle of the wafer that takes no die, mark or shape."""

    at_nm: Point = Field(alias="at", description="[x, y] of its centre from the wafer's")
    size_nm: tuple[PositiveDistance, PositiveDistance] = Field(
        alias="size", description="[width, height]"
    )


class Zone(Model):
    """A bias for a ring of dies."""

    outer_nm: PositiveDistance = Field(alias="outer", description="largest radius of die centres")
    bias_nm: Length = Field(alias="bias", description="added to the drawn size of lenses")


class InsteadSites(Model):
    """Places that take another die than the one that fills the wafer."""

    die: Name = Field(description="which die")
    sites: tuple[Site, ...] = Field(
        min_length=1, description="[col, row] from the die at the wafer's centre"
    )


class Witness(Model):
    """Groups of dies that are taken out of the process: at the centre, half-way out, and at the rim."""

    dies: tuple[Name, ...] = Field(min_length=1, description="that stand beside each other")
    middle: int = Field(4, ge=0, le=64, description="groups half-way to the rim, evenly around")
    rim: int = Field(4, ge=0, le=64, description="groups at the outermost dies, evenly around")


class Cross(Model):
    """An alignment cross."""

    kind: Literal["cross"]
    arm_nm: PositiveDistance = Field(alias="arm", description="from the centre to a tip")
    width_nm: PositiveDistance = Field(alias="width", description="of the arms")
    at_nm: tuple[Point, ...] = Field(alias="at", min_length=1, description="centres on the wafer")


class Box(Model):
    """A square ring."""

    kind: Literal["box"]
    outer_nm: PositiveDistance = Field(alias="outer", description="outer side")
    width_nm: PositiveDistance = Field(alias="width", description="of the ring")
    at_nm: tuple[Point, ...] = Field(alias="at", min_length=1, description="centres on the wafer")


class Combs(Model):
    """Pairs of combs of slightly different pitch."""

    pitches_nm: tuple[PositiveDistance, PositiveDistance] = Field(
        alias="pitches", description="of the two combs"
    )
    lines: int = Field(ge=2, le=1001, description="in each comb")
    length_nm: PositiveDistance = Field(alias="length", description="of a line")
    at_nm: tuple[Point, ...] = Field(alias="at", min_length=1, description="centres on the wafer")


class Vernier(Combs):
    """Two combs back to back, the second where asked on the layer of a later step."""

    kind: Literal["vernier"]
    direction_deg: Angle = Field(
        0.0, alias="direction", description="along which the combs run, counter-clockwise from +x"
    )
    second_layer: str | None = Field(
        None, description="layer/datatype of the second comb, which a later step writes"
    )


class Stitch(Combs):
    """Four verniers around a corner of write fields, each across one boundary."""

    kind: Literal["stitch"]


Mark = Annotated[Cross | Box | Vernier | Stitch, Field(discriminator="kind")]


class Wafer(Model):
    """The master's wafer, and what goes where on it."""

    diameter_nm: PositiveDistance = Field(alias="diameter", description="of the wafer")
    edge_exclusion_nm: NonNegativeDistance = Field(
        0.0, alias="edge_exclusion", description="width of the rim that takes nothing"
    )
    die_pitch_nm: tuple[PositiveDistance, PositiveDistance] = Field(
        alias="die_pitch", description="[x, y] from die to die"
    )
    grid_offset: Literal["best", "die", "street"] = Field(
        "best", description="most whole dies, a die on the centre, or a street crossing on it"
    )
    fill: Name = Field(description="the die that takes every place not given away")
    street_nm: NonNegativeDistance = Field(
        0.0, alias="street", description="between dies; nothing stands on it"
    )
    keep_out: tuple[KeepOut, ...] = Field((), description="rectangles that take nothing")
    zones: tuple[Zone, ...] = Field((), description="biases by distance from the centre")
    instead: tuple[InsteadSites, ...] = Field((), description="places for other dies")
    witness: Witness | None = Field(None, description="groups of dies at centre, middle and rim")
    marks: tuple[Mark, ...] = Field((), description="alignment marks")


class Output(Model):
    """The files."""

    formats: tuple[Literal["oasis", "gdsii"], ...] = Field(
        ("oasis",), min_length=1, description="which to write"
    )
    compression: Literal["fast", "small"] = Field("fast", description="of OASIS")
    database_unit_nm: PositiveLength = Field(
        1.0, alias="database_unit", description="of the files' coordinates"
    )
    gdsii_limit_bytes: Bytes = Field(
        4e9, alias="gdsii_limit", description="a GDSII file predicted above it is refused"
    )
    layers: dict[str, str] = Field(
        default_factory=dict,
        description="role: layer/datatype, for pillars, deflectors, pads, marks, labels, frames, "
        "outlines",
    )  # load.py fills in the rest


class Recipe(Model):
    """A wafer of flat optics: what is on it and how it is made."""

    name: Name = Field(description="of the job; names the files")
    revision: Annotated[str, Field(pattern=NAME_PATTERN, max_length=16)] = Field(
        description="of the job; letters, digits and -"
    )
    lattice: LatticeKeys | None = Field(None, description="for every part without its own")
    substrate_index: float | None = Field(None, ge=0.1, le=10, description="refractive index n_s")
    pillars: PillarKeys | None = Field(None, description="for every part without its own")
    lenses: tuple[Lens, ...] = Field((), description="lens designs")
    replication: Replication = Field(
        default_factory=lambda: Replication.model_validate({}),
        description="from the master to the part",
    )
    exposure: Exposure = Field(
        default_factory=lambda: Exposure.model_validate({}), description="the e-beam writer"
    )
    deflectors: tuple[Deflector, ...] = Field((), description="beam-deflector gratings")
    pads: tuple[Pad, ...] = Field((), description="calibration pads")
    cells: tuple[ForeignCell, ...] = Field((), description="cells of other layout files")
    dies: dict[Name, Die] = Field(min_length=1, description="die name: what stands on it")
    wafer: Wafer = Field(description="the wafer and where dies and marks go")
    output: Output = Field(
        default_factory=lambda: Output.model_validate({}), description="the files"
    )
    waive: dict[str, str] = Field(
        default_factory=dict, description="rule name: the reason for which it may be broken"
    )

    def lattice_of(self, part: Lens | Deflector | Pad) -> LatticeKeys:
        """The lattice that holds for a part: its own, else the recipe's."""
        found = part.lattice or self.lattice
        if found is None:
            raise ValueError(f"{part.name} has no lattice")  # load.py refuses such a recipe
        return found

    def pillars_of(self, part: Lens | Deflector | Pad) -> PillarKeys:
        """The pillars that hold for a part: its own, else the recipe's."""
        found = part.pillars or self.pillars
        if found is None:
            raise ValueError(f"{part.name} has no pillars")  # load.py refuses such a recipe
        return found

    @property
    def scale(self) -> float:
        """What the replication steps add to one: the part is (1 + scale) times the master."""
        return sum(step.scale_ppm for step in self.replication.steps) * 1e-6

    @property
    def replication_bias_nm(self) -> float:
        return sum(step.bias_nm for step in self.replication.steps)

    @property
    def mirrored(self) -> bool:
        return self.replication.transfers == "odd"


def dump(recipe: Recipe) -> dict[str, Any]:
    """The recipe as plain data, keys as in the YAML file."""
    return recipe.model_dump(by_alias=True)
