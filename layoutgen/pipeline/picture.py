"""Pictures of a finished job: the wafer, a die, a window down to single pillars, maps over a lens."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from layoutgen.errors import InputError
from layoutgen.pipeline.job import SUFFIX, Job, job_hash, open_job
from layoutgen.review.picture import (
    DiePlace,
    Names,
    look,
    map_figure,
    save_png,
    wafer_figure,
    window_figure,
)
from layoutgen.review.readcells import Box, shape_key
from layoutgen.review.window import Layout, open_layout
from layoutgen.units import parse_quantity
from layoutgen.workers import cores

if TYPE_CHECKING:
    from layoutgen.layout.tree import Variant
    from layoutgen.pipeline.design import Wafer
    from layoutgen.recipe.load import LoadedRecipe
    from layoutgen.recipe.model import DieItem

Progress = Callable[[str, float], None]

#: Side of a window that is asked for by its place alone.
WINDOW_NM = 10_000.0


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture on the disk, and what it shows."""

    path: Path
    facts: dict[str, Any] = field(repr=False)


def picture(
    job: str | Path | Job,
    out: str | Path | None = None,
    *,
    die: str | None = None,
    at: str | None = None,
    size: str | None = None,
    quantity: str | None = None,
    lens: str | None = None,
    form: str | None = None,
    pixels: int = 1400,
    jobs: int | None = None,
    progress: Progress = lambda what, share: None,
) -> Picture:
    """Draw a PNG of a job.

    Without more, the wafer. die: a name (the one nearest to the centre) or `COL,ROW`; at, size: a window of
    `X, Y` and `W, H` with units, from the die's centre, else the wafer's. quantity: a map over a
    lens, one of `QUANTITIES`. form: oasis or gdsii, the file that is read; the first there is unless
    given. InputError for what cannot be drawn as asked.
    """
    found = job if isinstance(job, Job) else open_job(job)
    if quantity is None and (at or size) and "die_size_dbu" in found.manifest:
        names = manifest_names(found)  # in a third of the time that the recipe's checks take
    else:
        names = job_names(found, _loaded(found))
    place = None if die is None else _die(die, names.dies)
    kind = "map" if quantity else "window" if at or size else "die" if place else "wafer"
    path = _path(found, out, kind, quantity, place)
    if quantity is not None:
        return _map(found, _loaded(found), path, quantity, lens, place, pixels, jobs, progress)
    if lens is not None:
        raise InputError("--lens: want it together with --map, got it alone")
    with open_layout(_layout_file(found, form), found.manifest.get("top_cell")) as layout:
        progress("reading the layout", 0.5)
        if kind == "wafer":
            save_png(wafer_figure(layout, names, pixels=pixels), path)
            facts = {"kind": kind, "file": layout.file.path.name, "dies": found.manifest["dies"]}
            return Picture(path, facts)
        return _window(layout, names, path, kind, place, at, size, pixels)


def _window(
    layout: Layout, names: Names, path: Path, kind: str, place: DiePlace | None, at: str | None,
    size: str | None, pixels: int,
) -> Picture:  # fmt: skip
    dbu = layout.unit_nm
    mm = dbu * 1e-6
    if kind == "die":
        assert place is not None
        half_x, half_y = (round(half * 1.02) for half in names.die_half)
        box: Box = (place.x - half_x, place.y - half_y, place.x + half_x, place.y + half_y)
    else:
        box = _box(place, at, size, dbu)
    centre = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    under = place or names.die_at(round(centre[0]), round(centre[1]))
    view = look(layout, names, box, pixels=pixels)
    where = f"({centre[0] * mm:.6g}, {centre[1] * mm:.6g}) mm from the wafer's centre"
    subtitle = f"Around {where}, as written; from {layout.file.path.name}. {names.note}"
    if under is not None and kind != "die":
        local = [(c - o) * dbu * 1e-3 for c, o in zip(centre, (under.x, under.y), strict=True)]
        subtitle += f"\nThe window's centre is at ({local[0]:.6g}, {local[1]:.6g}) um of its die."
    on = "" if under is None else f" on die {under.name} [{under.col}, {under.row}]"
    title = (
        f"{names.title}: die {under.name} [{under.col}, {under.row}]"
        if kind == "die" and under is not None
        else f"{names.title}: a window{on}"
    )
    figure = window_figure(
        view, names, title=title, subtitle=subtitle, origin=centre, pixels=pixels
    )
    save_png(figure, path)
    facts = {
        "kind": kind,
        "file": layout.file.path.name,
        "box_mm": [value * mm for value in box],
        "die": None if under is None else {"name": under.name, "col": under.col, "row": under.row},
        "polygons": view.polygons,
        "layers": {f"{n}/{d}": count for (n, d), count in view.layers().items()},
        "sizes": [
            {"drawn_nm": s.drawn_nm, "diameter_nm": s.diameter_nm, "count": s.count}
            for s in view.sizes(names)
        ],
        "covered": None if view.cover is None else float(view.cover.mean()),
        "not_drawn": dict(sorted(layout.others.items())),
    }
    return Picture(path, facts)


def _map(
    found: Job, loaded: LoadedRecipe, path: Path, quantity: str, lens: str | None,
    place: DiePlace | None, pixels: int, jobs: int | None, progress: Progress,
) -> Picture:  # fmt: skip
    # a window of a layout file is drawn without what designs lenses
    from layoutgen.pipeline.design import design
    from layoutgen.review.maps import QUANTITIES, lens_map
    from layoutgen.wafer.written import Written

    if quantity not in QUANTITIES:
        raise InputError(f"--map: want one of {', '.join(QUANTITIES)}, got {quantity!r}")
    if job_hash(loaded, found.only) != found.manifest["job"]:
        raise InputError(
            f"{found.folder}: want the recipe, tables and version that the job was built with, got others"
        )
    known = [each.name for each in loaded.recipe.lenses]
    if lens is None and len(known) == 1:
        lens = known[0]
    if lens not in known:
        raise InputError(
            f"--lens: want one of {', '.join(known) or 'no lens at all'}, got {lens!r}"
        )
    wafer = design(loaded, progress, cores() if jobs is None else jobs)
    written = Written.of(loaded.recipe, wafer.plan.dbu_nm)
    variant, where = _variant(wafer, lens, place)
    part = variant.part
    values = lens_map(
        quantity, variant.design, part, variant.coder,
        um_per_dbu=float(written.dbu * written.scale / 1000), mirrored=written.mirrored,
    )  # fmt: skip
    keys = next(each for each in loaded.recipe.lenses if each.name == lens)
    figure = map_figure(
        values, title=f"{found.title}: {values.words} over lens {lens}",
        subtitle=f"{where} x and y as written, from the axis.",
        aperture_um=float(written.part_size(keys.aperture_nm)) * wafer.plan.dbu_nm * 1e-3, pixels=pixels,
    )  # fmt: skip
    save_png(figure, path)
    held = values.values[values.values == values.values]
    facts = {
        "kind": "map",
        "map": quantity,
        "lens": lens,
        "unit": values.unit,
        "sites_per_pixel": list(values.sites),
        "lowest": float(held.min()) if held.size else None,
        "highest": float(held.max()) if held.size else None,
        "mean": float(held.mean()) if held.size else None,
    }
    return Picture(path, facts)


def _variant(wafer: Wafer, lens: str, place: DiePlace | None) -> tuple[Variant, str]:
    """The variant of a lens on a die, or the one without a split in its commonest surrounding."""
    from layoutgen.pipeline.facts import plain_variants

    tree = wafer.tree
    if place is None:
        for index, variant in plain_variants(wafer).items():
            if wafer.designs[index].kind == "lens" and wafer.designs[index].name == lens:
                return variant, "Without split, in its commonest surrounding."
        raise InputError(f"--lens: want a lens that stands on the wafer, got {lens!r}")
    for number, thing in enumerate(tree.scene.things):
        if thing.design < 0 or wafer.designs[thing.design].name != lens or thing.die < 0:
            continue
        die = wafer.plan.dies[thing.die]
        if (die.col, die.row) == (place.col, place.row):
            where = f"On die {place.name} [{place.col}, {place.row}]."
            return tree.variants[tree.variant_of[number]], where
    raise InputError(
        f"--die: want a die that holds lens {lens}, got {place.name} [{place.col}, {place.row}]"
    )


# ---- what is asked for


def _path(
    found: Job, out: str | Path | None, kind: str, quantity: str | None, place: DiePlace | None
) -> Path:
    if out is None:
        on = "" if place is None else f"-{place.name}"
        end = f"map-{quantity}" if kind == "map" else kind
        return Path(f"{found.title}{on}-{end}.png")
    path = Path(out)
    if path.suffix.lower() != ".png":
        raise InputError(f"--out: want a file that ends in .png, got {path.name!r}")
    return path


def _layout_file(found: Job, form: str | None) -> Path:
    held = [name for name in SUFFIX if f"{found.title}{SUFFIX[name]}" in found.manifest["files"]]
    if form is None and held:
        form = held[0]
    if form not in held:
        raise InputError(f"--file: want one of {', '.join(held) or 'no layout file'}, got {form!r}")
    return found.layout(form)


def _die(text: str, dies: Sequence[DiePlace]) -> DiePlace:
    """A die by its name, the one nearest to the wafer's centre, or by `COL,ROW`."""
    for die in sorted(dies, key=lambda die: die.x**2 + die.y**2):
        if text.replace(" ", "") == f"{die.col},{die.row}" or text == die.name:
            return die
    known = ", ".join(dict.fromkeys(die.name for die in dies))
    raise InputError(
        f"--die: want a die of the wafer, by its name ({known}) or as COL,ROW, got {text!r}"
    )


def _pair(text: str, option: str, *, one: bool) -> tuple[float, float]:
    """Two lengths with units, or one for both, in nm."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) > 2 or (len(parts) == 1 and not one):
        raise InputError(f"{option}: want two lengths such as '1 mm, 0.5 mm', got {text!r}")
    try:
        lengths = [parse_quantity(part, "length") for part in parts]
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None
    return lengths[0], lengths[-1]


def _box(place: DiePlace | None, at: str | None, size: str | None, dbu_nm: float) -> Box:
    x, y = (0.0, 0.0) if at is None else _pair(at, "--at", one=False)
    width, height = (WINDOW_NM, WINDOW_NM) if size is None else _pair(size, "--size", one=True)
    if width <= 0 or height <= 0:
        raise InputError(f"--size: want lengths above 0, got {size!r}")
    if place is not None:
        x, y = x + place.x * dbu_nm, y + place.y * dbu_nm
    edges = [(x - width / 2) / dbu_nm, (y - height / 2) / dbu_nm,
             (x + width / 2) / dbu_nm, (y + height / 2) / dbu_nm]  # fmt: skip
    if not all(abs(edge) < 2**40 for edge in edges):
        raise InputError(f"--at, --size: want a window on the layout, got {at!r} and {size!r}")
    x0, y0, x1, y1 = (round(edge) for edge in edges)
    if x0 >= x1 or y0 >= y1:
        raise InputError(f"--size: want at least one database unit each way, got {size!r}")
    return x0, y0, x1, y1


# ---- names and words


def _loaded(found: Job) -> LoadedRecipe:
    from layoutgen.recipe.load import load_recipe

    return load_recipe(found.folder / "recipe.yaml")


def manifest_names(found: Job) -> Names:
    """What a window says beside what the layout file holds: from manifest and dies.csv alone."""
    manifest = found.manifest
    roles = {_layer(layer): str(role) for layer, role in manifest["written_layers"].items()}
    doses = {}
    for number, datatype in map(_layer, manifest["layers"].values()):
        for each in manifest["doses"]:
            layer = number, datatype + int(each["datatype_added"])
            if layer in roles:
                doses[layer] = float(each["dose"])
    width, height = manifest.get("die_size_dbu", (0, 0))
    return Names(
        title=found.title,
        roles=roles,
        dies=read_dies(found, float(manifest["database_unit_nm"])),
        die_words={},
        zones=(),
        die_half=(int(width) // 2, int(height) // 2),
        diameter=0.0,
        exclusion=0.0,
        marks=(),
        parts=lambda: _parts_of(_loaded(found)),
        drawn_nm={
            shape_key(np.array(shape["polygon_dbu"], np.int64))[0]: float(shape["drawn_nm"])
            for shape in manifest["shapes"]
        },
        doses=doses,
        note="Mirrored: an odd number of transfers." if manifest["mirrored"] else "",
    )


def _layer(text: str) -> tuple[int, int]:
    number, _, datatype = text.partition("/")
    return int(number), int(datatype)


def job_names(found: Job, loaded: LoadedRecipe) -> Names:
    """What a picture of the job says beside what its layout file holds."""
    from layoutgen.wafer.written import Written, half_width

    recipe = loaded.recipe
    written = Written.of(recipe, recipe.output.database_unit_nm)
    half_x, half_y = (half_width(written.part_size(p)) for p in recipe.wafer.die_pitch_nm)
    zones = [
        (
            float(written.size(zone.outer_nm)),
            f"to {zone.outer_nm * 1e-6:g} mm: {zone.bias_nm:+g} nm",
        )
        for zone in recipe.wafer.zones
    ]
    keep_outs = []
    for held in recipe.wafer.keep_out:
        x, y = written.x(held.at_nm[0]), written.y(held.at_nm[1])
        w, h = (half_width(written.size(s)) for s in held.size_nm)
        keep_outs.append((x - w, y - h, x + w, y + h))
    return replace(
        manifest_names(found),
        die_words={name: split_words(items) for name, items in recipe.dies.items()},
        zones=zones,
        die_half=(half_x, half_y),
        diameter=float(written.size(recipe.wafer.diameter_nm)),
        exclusion=float(written.size(recipe.wafer.edge_exclusion_nm)),
        marks=[
            (mark.kind, written.x(x), written.y(y))
            for mark in recipe.wafer.marks
            for x, y in mark.at_nm
        ],
        keep_outs=keep_outs,
        parts=lambda: _parts_of(loaded),
    )


def read_dies(found: Job, dbu_nm: float) -> list[DiePlace]:
    """The dies of a job from its dies.csv."""
    path = found.folder / "dies.csv"
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
        return [
            DiePlace(
                row["die"], int(row["col"]), int(row["row"]),
                round(float(row["x_mm"]) * 1e6 / dbu_nm), round(float(row["y_mm"]) * 1e6 / dbu_nm),
            )
            for row in rows
        ]  # fmt: skip
    except OSError as error:
        raise InputError(f"{path}: want the job's dies, got {error.strerror}") from None
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path}: want columns die,col,row,x_mm,y_mm with numbers, got {error}"
        ) from None


def split_words(items: Sequence[DieItem]) -> str:
    """The splits of a die, in words; nothing where there are none."""
    told = []
    for item in items:
        if item.bias_nm:
            told.append(f"{item.bias_nm:+g} nm")
        if item.dose != 1:
            told.append(f"dose {item.dose:g}")
    return ", ".join(dict.fromkeys(told))


def _parts_of(loaded: LoadedRecipe) -> dict[str, list[tuple[str, int, int]]]:
    """For each die what stands on it, with the middle of its upper end."""
    from layoutgen.wafer.plan import plan_wafer

    recipe = loaded.recipe
    # where a foreign cell ends does not matter here
    boxes = {cell.name: (0, 0, 0, 0) for cell in recipe.cells}
    plan = plan_wafer(recipe, dbu_nm=recipe.output.database_unit_nm, cell_boxes=boxes)
    found: dict[str, list[tuple[str, int, int]]] = {}
    for name, parts in plan.die_parts.items():
        for part in parts:
            if part.kind != "label":
                tops = [round(outline.bounds[3]) for outline in part.outlines]
                words = f"{part.kind} {part.name}"
                found.setdefault(name, []).append((words, part.x, max(tops, default=part.y)))
    return found
