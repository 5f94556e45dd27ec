"""The review page and the operator's sheet of a job, from its design, its manifest and its layout file."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from layoutgen.exposure.part import Part, Site
from layoutgen.lattice import Lattice, Window
from layoutgen.layout.tree import LATER, Variant
from layoutgen.optics.domain import Rows
from layoutgen.pipeline.budget import short_form
from layoutgen.pipeline.design import Wafer
from layoutgen.pipeline.facts import Counts, layer_works, plain_variants
from layoutgen.pipeline.job import SUFFIX, Job
from layoutgen.pipeline.picture import job_names, split_words
from layoutgen.recipe.model import Lens
from layoutgen.review.maps import lens_maps
from layoutgen.review.picture import PILLAR_ROLES, Names, length
from layoutgen.review.readcells import Box, shape_key
from layoutgen.review.report import (
    Facts,
    MapFacts,
    Section,
    WindowFacts,
    operator_text,
    report_html,
)
from layoutgen.review.svg import KINDS, bars, dark, map_png, squares_path, viridis, window_svg
from layoutgen.review.window import Drawn, Layout, diameter_nm, open_layout
from layoutgen.review.writefields import cut_pillars, field_grid
from layoutgen.review.writetime import write_time

__all__ = ["operator_sections", "report_pages"]

#: Pitches across a window of the page, and polygons that one shows at most.
WINDOW_PITCHES = 10
MOST_POLYGONS = 600
#: Lenses that get windows of their own, and sites along the strip in which zone boundaries are looked for.
MOST_LENSES, STRIP_SITES = 2, 20_000
#: Lenses that are told in full, with charts and maps; of more the first.
MOST_TOLD = 12
#: Pixels across a map, and stored sites that it looks at.
MAP_PIXELS, MOST_MAPPED = 240, 300_000
#: Bytes that a viewer holds for a stored pillar, read-only and for editing (klayout issue 2379).
READ_ONLY_BYTES, EDITED_BYTES = 9, 25


def report_pages(
    wafer: Wafer, counts: Mapping[int, Counts], folder: Path, manifest: dict[str, Any]
) -> dict[str, bytes]:
    """The files report.html and operator.txt of a job folder that holds everything else."""
    job = Job(folder, manifest)
    names = job_names(job, wafer.loaded)
    sheet = operator_sections(wafer, counts, job)
    form = next(f for f in SUFFIX if f in wafer.loaded.recipe.output.formats)
    with open_layout(job.layout(form), wafer.tree.top) as layout:
        windows = _windows(wafer, layout, names)
    told = {lens.name for lens in _told(wafer)}
    plain = {
        index: variant
        for index, variant in plain_variants(wafer).items()
        if variant.design.kind != "lens" or variant.design.name in told
    }
    facts = Facts(
        title=job.title,
        headline=_headline(wafer, manifest),
        verified=bool(manifest["verified"]),
        asked=_asked(wafer),
        counts=_counts(wafer, manifest),
        rules=[_rule(rule) for rule in manifest["rules"]],
        warnings=manifest["warnings"],
        wafer_svg=_wafer_svg(wafer, names),
        dies=_dies(wafer, names),
        windows=windows,
        charts=_charts(wafer, plain, manifest),
        maps=_maps(wafer, plain),
        **_sem(folder, manifest),
        operator=sheet,
        hashes=_hashes(manifest),
    )
    return {
        "report.html": report_html(facts),
        "operator.txt": operator_text(job.title, sheet).encode("utf-8"),
    }


# ---- words


def _mm(dbu: float, dbu_nm: float) -> str:
    return f"{dbu * dbu_nm * 1e-6:.7g}"


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _size(count: int) -> str:
    return f"{count / 1e9:.3g} GB" if count >= 1e9 else f"{count / 1e6:.3g} MB"


def _figure(value: Any) -> str:
    return "" if value is None else f"{value:.6g}"


def _rule(rule: Mapping[str, Any]) -> dict[str, Any]:
    text = str(rule["text"])
    return {
        "name": rule["name"],
        "value": _figure(rule["value"]),
        "limit": _figure(rule["limit"]),
        "ok": rule["ok"],
        "waived": "; waived: " in text,
        "text": text,
    }


def _tone(manifest: Mapping[str, Any]) -> str:
    exposed = (
        "what is drawn is exposed"
        if manifest["exposed"] == "shapes"
        else "the frames less all shapes are exposed"
    )
    return f"drawn shapes are {manifest['tone']} on the master; {exposed}"


def _headline(wafer: Wafer, manifest: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = [
        ("Job", str(manifest["job"])),
        ("Version", f"layoutgen {manifest['layoutgen']}"),
        ("Tone", _tone(manifest)),
        (
            "Mirroring",
            "mirrored, x to -x: an odd number of transfers"
            if manifest["mirrored"]
            else "not mirrored: an even number of transfers",
        ),
    ]
    if wafer.only is not None:
        clip = wafer.only
        rows.insert(
            0,
            (
                "Trial clip",
                f"die {clip.die} [{clip.col}, {clip.row}] alone, with the densities that it has on the whole"
                f" wafer; {clip.alike} of {clip.of} such dies are drawn like it",
            ),
        )
    return rows


def _counts(wafer: Wafer, manifest: Mapping[str, Any]) -> list[tuple[str, str]]:
    dies = ", ".join(f"{count} {name}" for name, count in manifest["dies"].items())
    rows = [
        ("Dies", f"{sum(manifest['dies'].values())} ({dies})"),
        ("Pillars", f"{manifest['pillars']:,}, of which {manifest['pillars_stored']:,} are stored"),
    ]
    lost = manifest["dropped"]
    for key, words in (("marks", "Lost to marks"), ("keep_outs", "Lost to keep-outs")):
        if lost[key]:
            rows.append(
                (words, f"{len(lost[key])} dies: " + ", ".join(f"[{c}, {r}]" for c, r in lost[key]))
            )
    for name, facts in manifest["files"].items():
        if name.endswith(tuple(SUFFIX.values())):
            rows.append(("Layout", f"{name}, {facts['bytes']:,} bytes"))
    if manifest["write_time_s"] is not None:
        parts = manifest["write_time_parts_s"]
        rows.append(
            (
                "Write time",
                f"{_duration(manifest['write_time_s'])} (exposure {_duration(parts['exposure'])}, figures"
                f" {_duration(parts['figures'])}, fields {_duration(parts['fields'])})",
            )
        )
    return rows


def _told(wafer: Wafer) -> tuple[Lens, ...]:
    """The lenses that the page tells in full."""
    return wafer.loaded.recipe.lenses[:MOST_TOLD]


def _asked(wafer: Wafer) -> list[Section]:
    recipe = wafer.loaded.recipe
    sections = []
    told = _told(wafer)
    budgets = short_form(wafer, told)
    facts = {d.name: d.facts for d in wafer.designs if d.kind == "lens" and d.facts is not None}
    for lens in told:
        sections.append(
            Section(
                f"Lens {lens.name}", [*_lens_rows(wafer, lens), *_budget(budgets.get(lens.name))]
            )
        )
        settled = facts.get(lens.name)
        if settled is not None:
            rows = [
                (
                    "Coverage of phase",
                    f"{settled.candidates.coverage_rad:.4g} rad of {2 * math.pi:.4g}",
                ),
                (
                    "Phase offset",
                    f"{settled.offset.phi0_rad:.5g} rad, coherent sum times {settled.offset.gain:.5g}",
                ),
            ]
            sections[-1] = Section(sections[-1].heading, [*sections[-1].rows, *rows])
    more = len(recipe.lenses) - len(told)
    if more:
        words = "in recipe.yaml and manifest.json; layoutgen picture draws maps of any of them"
        sections.append(Section("Further lenses", [(f"{more:,} more", words)]))
    steps = [
        (step.name, f"{step.bias_nm:+g} nm, {step.scale_ppm:+g} ppm")
        for step in recipe.replication.steps
    ]
    if steps:
        sections.append(Section("Replication", steps))
    splits = [(name, words) for name, items in recipe.dies.items() if (words := split_words(items))]
    zones = [
        (f"Zone to {zone.outer_nm * 1e-6:g} mm", f"{zone.bias_nm:+g} nm")
        for zone in recipe.wafer.zones
    ]
    if splits or zones:
        sections.append(Section("Splits and zones", [*splits, *zones]))
    return sections


def _lens_rows(wafer: Wafer, lens: Lens) -> list[tuple[str, str]]:
    recipe = wafer.loaded.recipe
    keys, lattice = recipe.pillars_of(lens), recipe.lattice_of(lens)
    terms = []
    for term in lens.phase:
        told = term.model_dump(exclude={"kind", "centre_nm"}, exclude_defaults=True)
        words = ", ".join(_term_words(key, value) for key, value in told.items())
        terms.append(f"{term.kind} ({words})" if words else term.kind)
    height = "" if keys.height_nm is None else f", height {length(keys.height_nm)}"
    return [
        ("Wavelength", length(lens.wavelength_nm)),
        (
            "Aperture",
            length(lens.aperture_nm)
            + (f", collar {length(lens.collar_nm)}" if lens.collar_nm else ""),
        ),
        ("Phase", " + ".join(terms)),
        ("Lattice", f"{lattice.kind}, pitch {length(lattice.pitch_nm)}"),
        (
            "Pillars",
            f"{keys.diameter.min_nm:g} to {keys.diameter.max_nm:g} nm on the master{height}; library {keys.library}",
        ),
    ]


def _term_words(key: str, value: Any) -> str:
    name, _, unit = key.rpartition("_")
    if unit == "nm" and isinstance(value, float):
        return f"{name.replace('_', ' ')} {length(value)}"
    if unit == "deg":
        return f"{name} {value:g} deg"
    if isinstance(value, (list, tuple)):
        return f"{key} " + ", ".join(f"{v:g}" for v in value)
    if isinstance(value, dict):
        return f"{key} " + ", ".join(f"{k}: {v:g}" for k, v in value.items())
    return f"{key} {value}"


def _budget(facts: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """What the lens does and what errors of size cost, from the design alone."""
    if facts is None:
        return []
    loss = f"{100 * facts['loss']:g} %"

    def nm(value: float | None) -> str:
        return "not known" if value is None else f"{value:.3g} nm"

    if facts["strehl"] is None:
        return [("Predicted of the design", "no light follows it")]
    rows = [
        (
            "Predicted of the design",
            f"{100 * facts['passes']:.3g} % of the light passes, {100 * facts['follows']:.3g} % follows the wanted"
            f" phase (Strehl ratio {facts['strehl']:.4f}), before errors of size; spot, MTF and"
            " drawn sizes: layoutgen predict",
        ),
        (
            f"{loss} of efficiency",
            f"an offset of all diameters of {nm(facts['offset_nm'])}, or a scatter of {nm(facts['random_nm'])}",
        ),
    ]
    if facts["ladder_loss"] is not None:
        rows.append(("Rounding to the ladder", f"costs {100 * facts['ladder_loss']:.2g} %"))
    return rows


def _hashes(manifest: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = [("job (recipe, tables, version)", str(manifest["job"]))]
    rows += [(name, facts["sha256"]) for name, facts in manifest["files"].items()]
    return rows


def _sem(folder: Path, manifest: Mapping[str, Any]) -> dict[str, Any]:
    lines = (folder / "sem_sites.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(io.StringIO("\n".join(lines[1:]))))
    shown = ("site", "die", "col", "row", "x_mm", "y_mm", "feature", "lens_radius_um", "target_nm",
             "master_nm", "drawn_nm", "density")  # fmt: skip
    stages = list(dict.fromkeys(row["stage"] for row in rows))
    first = [row for row in rows if row["stage"] == stages[0]] if stages else []
    words = (
        f"{len(first)} sites at each of these stages: {', '.join(stages)}. The same pillars each time; sem_sites.csv"
        " has the empty columns to fill."
    )
    return {
        "sem_head": shown,
        "sem_rows": [[row[key] for key in shown] for row in first],
        "sem_words": words,
    }


# ---- the wafer


def _wafer_svg(wafer: Wafer, names: Names) -> Markup:
    """The wafer in whole micrometres."""
    um = wafer.plan.dbu_nm * 1e-3
    half = round(names.diameter * um / 2)
    view = round(half * 1.03)
    title = f"Wafer map of {names.title}, {len(names.dies)} dies"
    parts = [
        Markup('<svg id="wafer" viewBox="{} {} {} {}" tabindex="0" role="application" aria-label="{}" aria-describedby="die">').format(
            -view, -view, 2 * view, 2 * view, title
        )
    ]  # fmt: skip
    size = tuple(round(h * um) for h in names.die_half)
    for k, name in enumerate(dict.fromkeys(die.name for die in names.dies)):
        centres = ((round(die.x * um), round(die.y * um)) for die in names.dies if die.name == name)
        inset = (round(size[0] * 0.96), round(size[1] * 0.96))
        parts.append(
            Markup('<path fill="{}" d="{}"/>').format(KINDS[k % 8], squares_path(centres, inset))
        )
    thin = max(1, half // 400)
    for radius in (half, round(half - names.exclusion * um)):
        parts.append(Markup('<circle class="edge" r="{}" stroke-width="{}"/>').format(radius, thin))
    parts.append(Markup('<path class="edge" stroke-width="{}" d="M{},{}l{},{}l{},{}"/>').format(
        2 * thin, -half // 60, half, half // 60, -half // 40, half // 60, half // 40))  # fmt: skip
    for outer, _ in names.zones:
        parts.append(
            Markup(
                '<circle class="zone" r="{}" stroke-width="{}" stroke-dasharray="{} {}"/>'
            ).format(round(outer * um), thin, 8 * thin, 6 * thin)
        )
    for x0, y0, x1, y1 in names.keep_outs:
        parts.append(
            Markup(
                '<rect class="keep" x="{}" y="{}" width="{}" height="{}" stroke-width="{}"/>'
            ).format(
                round(x0 * um), round(-y1 * um), round((x1 - x0) * um), round((y1 - y0) * um), thin
            )
        )
    for _, mx, my in () if wafer.only is not None else names.marks:
        x, y, arm = round(mx * um), round(-my * um), half // 50
        parts.append(
            Markup('<path class="mark" stroke-width="{}" d="M{},{}h{}M{},{}v{}"/>').format(
                3 * thin, x - arm, y, 2 * arm, x, y - arm, 2 * arm
            )
        )
    parts.append(
        Markup('<rect class="picked" visibility="hidden" width="{}" height="{}" stroke-width="{}"/></svg>').format(
            2 * size[0], 2 * size[1], 4 * thin
        )
    )  # fmt: skip
    return Markup("").join(parts)


def _dies(wafer: Wafer, names: Names) -> dict[str, Any]:
    """Data of the dies for the page's script, lengths in whole micrometres."""
    um = wafer.plan.dbu_nm * 1e-3
    kinds = list(dict.fromkeys(die.name for die in names.dies))
    parts = names.parts()
    zone_of = {(die.col, die.row): die.zone for die in wafer.plan.dies}
    return {
        "kinds": [
            {
                "name": name,
                "colour": KINDS[k % 8],
                "count": sum(die.name == name for die in names.dies),
                "words": names.die_words.get(name, ""),
                "parts": [words for words, _, _ in parts.get(name, ())],
            }
            for k, name in enumerate(kinds)
        ],
        "zones": [words for _, words in names.zones],
        "half": [round(h * um) for h in names.die_half],
        "right": -1 if wafer.plan.mirrored else 1,
        "dies": [
            [kinds.index(die.name), die.col, die.row, round(die.x * um, 3), round(die.y * um, 3),
             zone_of.get((die.col, die.row))]
            for die in names.dies
        ],
    }  # fmt: skip


# ---- windows


def _windows(wafer: Wafer, layout: Layout, names: Names) -> list[WindowFacts]:
    found = []
    # of outlines as they are written, which recur from window to window
    sizes: dict[bytes, float] = {}

    def size_nm(outline: NDArray[np.int64]) -> float:
        written = outline.tobytes()
        if written not in sizes:
            known = names.drawn_nm.get(shape_key(outline)[0])
            sizes[written] = diameter_nm(outline, layout.unit_nm) if known is None else known
        return sizes[written]

    for k, (title, box) in enumerate(_places(wafer)):
        drawn = layout.window(box, limit=MOST_POLYGONS)
        if drawn is not None:
            found.append(_window(f"w{k}", title, box, drawn, names, layout.unit_nm, size_nm))
    return found


def _window(
    key: str, title: str, box: Box, drawn: Sequence[Drawn], names: Names, unit_nm: float,
    size_nm: Callable[[NDArray[np.int64]], float],
) -> WindowFacts:  # fmt: skip
    mm = unit_nm * 1e-6
    pillars = [d for d in drawn if names.role(d.layer) in PILLAR_ROLES]
    numbers = {id(d): size_nm(d.outline) for d in pillars}
    low, high = min(numbers.values(), default=0.0), max(numbers.values(), default=1.0)
    span = max(high - low, 1e-9)
    shown = []
    for d in drawn:
        role = names.role(d.layer)
        if id(d) in numbers:
            share = (numbers[id(d)] - low) / span if high > low else 0.5
            shown.append((d, f"{numbers[id(d)]:.6g}", viridis(share), dark(share)))
        elif role in ("marks", "labels", "cell"):
            fill = {"marks": KINDS[5], "labels": KINDS[6]}.get(role, KINDS[3])
            shown.append((d, "", fill, False))
    lines = [d for d in drawn if names.role(d.layer) in ("outlines", "frames")]
    counts: dict[float, int] = {}
    for d in pillars:
        counts[numbers[id(d)]] = counts.get(numbers[id(d)], 0) + len(d.places)
    words = (
        f"({(box[0] + box[2]) // 2 * mm:.7f}, {(box[1] + box[3]) // 2 * mm:.7f}) mm,"
        f" {length((box[2] - box[0]) * unit_nm)} wide"
    )
    svg = window_svg(key, shown, lines, box, f"{title}, {sum(counts.values())} pillars")
    return WindowFacts(key, title, words, svg, [(f"{s:.6g}", n) for s, n in sorted(counts.items())])


def _places(wafer: Wafer) -> list[tuple[str, Box]]:
    """Windows that a reviewer wants to see: lens centres, zone boundaries, rims, gratings, pads, marks."""
    scene, plan = wafer.scene, wafer.plan
    found: list[tuple[str, Box]] = []

    def add(title: str, x: float, y: float, half: float) -> None:
        found.append((title, (round(x - half), round(y - half), round(x + half), round(y + half))))

    lenses = 0
    pads: set[str] = set()
    for index, design in enumerate(wafer.designs):
        things = [
            (not _is_plain(wafer, number), t.x**2 + t.y**2, t.x, t.y, number)
            for number, t in enumerate(scene.things)
            if t.design == index and t.die >= 0
        ]
        if not things:
            continue
        number = min(things)[-1]
        thing = scene.things[number]
        die = plan.dies[thing.die]
        half = WINDOW_PITCHES / 2 * design.lattice.pitch_dbu
        on = f"on die {die.name} [{die.col}, {die.row}]"
        reach = design.domain.extent[0]
        if design.kind == "lens" and lenses < MOST_LENSES:
            lenses += 1
            add(f"Lens {design.name}: centre, {on}", thing.x, thing.y, half)
            for words, x in _boundaries(wafer.tree.variants[wafer.tree.variant_of[number]].part):
                add(f"Lens {design.name}: {words} zone boundary, {on}", thing.x + x, thing.y, half)
            add(f"Lens {design.name}: rim, {on}", thing.x + reach, thing.y, half)
            diagonal = reach / math.sqrt(2)
            add(
                f"Lens {design.name}: rim at 45 deg, {on}",
                thing.x + diagonal,
                thing.y + diagonal,
                half,
            )
        elif design.kind == "deflector":
            add(f"Grating {design.name}: centre, {on}", thing.x, thing.y, half)
            x0, y0, _, _ = design.outline.bounds
            add(f"Grating {design.name}: corner, {on}", thing.x + x0, thing.y + y0, half)
        elif design.kind == "pad" and design.name not in pads:
            pads.add(design.name)  # of a pad of many patches the first
            add(f"Pad {design.name}, {on}", thing.x, thing.y, half)
    if plan.marks:
        mark = plan.marks[0]
        x0, y0 = mark.outline.min(axis=0)
        x1, y1 = mark.outline.max(axis=0)
        add(f"Mark: {mark.kind}", (x0 + x1) / 2, (y0 + y1) / 2, 0.6 * max(x1 - x0, y1 - y0))
    for die in sorted(plan.dies, key=lambda d: (d.x**2 + d.y**2, d.x, d.y)):
        part = next((p for p in plan.die_parts[die.name] if p.kind == "label"), None)
        if part is not None:
            (box,) = part.outlines_for(die.label)
            bx0, by0, bx1, by1 = box.bounds
            add(f"Label on die {die.name} [{die.col}, {die.row}]", die.x + (bx0 + bx1) / 2,
                die.y + (by0 + by1) / 2, 0.6 * (bx1 - bx0))  # fmt: skip
            break
    return found


def _is_plain(wafer: Wafer, number: int) -> bool:
    variant = wafer.tree.variants[wafer.tree.variant_of[number]]
    return variant.split_nm == 0 and wafer.tree.doses.get(variant.layer, 1.0) == 1.0


def _boundaries(part: Part) -> list[tuple[str, float]]:
    """First, middle and last zone boundary along +x from the axis: where the diameter jumps by half its range."""
    lattice = part.lattice
    # of the rows nearest to the axis the one with most sites
    rows = [
        (abs(lattice.y_dbu(row)), low - high, row, low, index)
        for index, piece in enumerate(part.pieces)
        for row, low, high in [_nearest(piece.rows, lattice)]
    ]
    _, negative, row, low, index = min(rows)
    if negative >= -1:
        return []
    window = Window(row, low, 1, min(-negative, STRIP_SITES))
    size = np.concatenate([[0.0], part.masters.master_nm])[
        part.source(Site(index, window, part.pieces[index].rows))[0]
    ]
    at = lattice.xs_dbu(window) + (row & 1) * lattice.shift_dbu
    kept = (size > 0) & (at > 0)
    at, size = at[kept], size[kept]
    if len(at) < 2:
        return []
    jumps = np.flatnonzero(np.abs(np.diff(size)) > 0.5 * (size.max() - size.min()))
    if not len(jumps):
        return []
    middles = (at[jumps] + at[jumps + 1]) / 2
    chosen = {"first": middles[0], "middle": middles[len(middles) // 2], "last": middles[-1]}
    if len(middles) < 3:
        chosen = {"first": middles[0]}
    return [(words, float(where)) for words, where in chosen.items()]


def _nearest(rows: Rows, lattice: Lattice) -> tuple[int, int, int]:
    """The row nearest to the axis that holds sites, its first column and the one after its last."""
    held = np.flatnonzero(rows.hi > rows.lo)
    height = np.abs(lattice.y0_dbu + (rows.row0 + held) * lattice.row_dbu)
    found = int(held[np.argmin(height)])
    return rows.row0 + found, int(rows.lo[found]), int(rows.hi[found])


# ---- sizes and maps


def _charts(
    wafer: Wafer, plain: Mapping[int, Variant], manifest: Mapping[str, Any]
) -> list[tuple[str, Markup]]:
    """For each lens how often each size stands, before the bias and as drawn."""
    drawn = {str(shape["code"]): float(shape["drawn_nm"]) for shape in manifest["shapes"]}
    found = []
    for variant in plain.values():
        design = variant.design
        facts = manifest["lenses"].get(design.name)
        if design.kind != "lens" or facts is None or design.usage is None:
            continue
        total, used = sum(facts["codes"].values()), float(design.usage.sum())
        before = [
            (float(size), float(share) / used)
            for size, share in zip(design.masters.master_nm, design.usage, strict=True)
            if share
        ]
        after = [(drawn[code], count / total) for code, count in facts["codes"].items()]
        title = f"Lens {design.name}: share of the pillars by diameter, on the master and as drawn"
        found.append(
            (title, bars([("master", before), ("drawn", sorted(after))], "diameter (nm)", title))
        )
    return found


def _maps(wafer: Wafer, plain: Mapping[int, Variant]) -> list[MapFacts]:
    """Density and bias over each lens, in the plain variant."""
    found = []
    for variant in plain.values():
        if variant.design.kind != "lens":
            continue
        wanted = ("density", "bias") if wafer.exposed.terms else ("bias",)
        for held in lens_maps(
            wanted, variant.design, variant.part, variant.coder, um_per_dbu=1.0,
            mirrored=wafer.plan.mirrored, pixels=MAP_PIXELS, most_sites=MOST_MAPPED,
        ):  # fmt: skip
            finite = held.values[np.isfinite(held.values)]
            low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 0.0)
            found.append(
                MapFacts(
                    f"Lens {variant.design.name}: {held.words}", map_png(held.values, low, high),
                    f"{low:.4g}", f"{high:.4g}", held.unit, round(held.box_um[2] - held.box_um[0], 3),
                )
            )  # fmt: skip
    return found


# ---- the operator's sheet


_NOT_WRITTEN = {
    "outlines": ", for viewing only",
    LATER: ", for the alignment of a later step: not part of this write",
}


def operator_sections(wafer: Wafer, counts: Mapping[int, Counts], job: Job) -> list[Section]:
    """What the operator needs, in words."""
    manifest, recipe, dbu = job.manifest, wafer.loaded.recipe, wafer.plan.dbu_nm
    exposure = recipe.exposure
    doses = {layer: dose for layer, dose in wafer.tree.doses.items() if dose != 1}
    layers = [
        (f"{layer}", f"{role}" + (f", relative dose {doses[layer]:g}" if layer in doses else "")
         + _NOT_WRITTEN.get(role, ""))
        for layer, role in sorted(wafer.tree.layers.items())
    ]  # fmt: skip
    sections = [
        Section(
            "Job",
            [
                ("Title", job.title),
                ("Hash", str(manifest["job"])),
                ("Read back", "yes, equal to the recipe" if manifest["verified"] else "no"),
                *[
                    (name, f"SHA-256 {facts['sha256']}")
                    for name, facts in manifest["files"].items()
                    if name.endswith(tuple(SUFFIX.values()))
                ],
            ],
        ),
        Section("Layers", layers),
        Section(
            "Exposure",
            [
                ("Write", str(manifest["written"])),
                ("Tone", _tone(manifest)),
                ("Mirrored", "yes, x to -x" if manifest["mirrored"] else "no"),
                (
                    "Base dose",
                    "not given"
                    if exposure.dose_uc_cm2 is None
                    else f"{exposure.dose_uc_cm2:g} uC/cm2",
                ),
                (
                    "Beam current",
                    "not given" if exposure.current_na is None else f"{exposure.current_na:g} nA",
                ),
                ("Database unit", f"{dbu:g} nm; address grid {wafer.loaded.address_grid_nm:g} nm"),
            ],
        ),
        Section(
            "Coordinates",
            [
                (
                    "Origin",
                    "the wafer's centre; x right, y up, notch at -y, seen from the patterned side",
                ),
                ("Top cell", wafer.tree.top),
                *[
                    (f"Mark {k}", f"{mark.kind} at ({_mm(mark.x, dbu)}, {_mm(mark.y, dbu)}) mm")
                    for k, mark in enumerate(wafer.plan.marks, start=1)
                ],
            ],
        ),
        Section("Write fields", _field_rows(wafer)),
        Section("Figures and time", _time_rows(wafer, counts, manifest)),
        Section(
            "Viewing",
            [
                (
                    "Memory",
                    f"about {_size(READ_ONLY_BYTES * manifest['pillars_stored'])} for the pillars in a viewer that"
                    f" keeps arrays, opened read-only; about {_size(EDITED_BYTES * manifest['pillars_stored'])} for"
                    " editing, which resolves them",
                ),
                (
                    "Advice",
                    "open the OASIS file read-only, at first with few levels of hierarchy shown",
                ),
            ],
        ),
        Section(
            "Safety",
            [
                (
                    "",
                    "High voltage, resists, developers and etch gases: trained people only, site rules first.",
                )
            ],
        ),
    ]
    return sections


def _field_rows(wafer: Wafer) -> list[tuple[str, str]]:
    """How each part is cut into fields, and the pillars that a boundary cuts."""
    field_nm = wafer.loaded.recipe.exposure.write_field_nm
    if field_nm is None:
        return [("", "not known: the recipe gives no write field")]
    dbu = wafer.plan.dbu_nm
    rows: list[tuple[str, str]] = [
        ("Laid", "about each part's axis, boundaries midway between lattice lines; a pillar belongs to the field"
         " that holds its centre"),
    ]  # fmt: skip
    told: dict[tuple[str, str], list[Any]] = {}
    for variant in wafer.tree.variants:
        grid = field_grid(variant.part, field_nm / dbu)
        half = np.zeros((len(variant.table) + 1, 2), np.int64)
        for code, polygon in enumerate(variant.table.polygons, start=1):
            half[code] = np.abs(polygon).max(axis=0)
        cut = cut_pillars(variant.part, variant.coder, half, grid)
        held = told.setdefault((variant.design.kind, variant.design.name), [grid, 0, 0.0])
        held[1] += cut.count * variant.placed
        held[2] = max(held[2], cut.overhang)
    for (kind, name), (grid, count, overhang) in told.items():
        words = f"{length(grid.step_x * dbu)} x {length(grid.step_y * dbu)}; "
        words += (
            "no pillar is cut"
            if not count
            else f"{count:,} pillars are cut, by up to {overhang * dbu:g} nm beyond their field"
        )
        rows.append((f"{kind} {name}", words))
    rows += [
        (
            f"mark {k}, stitch",
            f"its centre ({_mm(mark.x, dbu)}, {_mm(mark.y, dbu)}) mm is the corner of four fields: lay boundaries"
            " through it along x and along y; no figure crosses one",
        )
        for k, mark in enumerate(wafer.plan.marks, start=1)
        if mark.kind == "stitch"
    ]
    return rows


def _time_rows(
    wafer: Wafer, counts: Mapping[int, Counts], manifest: Mapping[str, Any]
) -> list[tuple[str, str]]:
    exposure = wafer.loaded.recipe.exposure
    rows = []
    for work in layer_works(wafer, dict(counts)):
        words = f"{work.figures:,} figures, {work.area_um2 * 1e-6:.6g} mm2, {work.fields:,} fields"
        time = write_time([work], exposure)
        if time is not None:
            words += (
                f"; {_duration(time.total_s)} (exposure {_duration(time.exposure_s)}, figures"
                f" {_duration(time.figures_s)}, fields {_duration(time.fields_s)})"
            )
            words += ", bound by the clock" if time.clock_bound else ""
        rows.append((f"Layer {work.layer}", words))
    total = manifest["write_time_s"]
    rows.append(
        ("All", "not known: no dose or no current is given" if total is None else _duration(total))
    )
    return rows
