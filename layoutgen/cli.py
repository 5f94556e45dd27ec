"""The command line: each command parses, calls one function of the package and prints what it gave.

Exit status: 0 done, 1 a rule or a verification failed, 2 the input is wrong.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

import typer

from layoutgen.errors import LayoutgenError

__all__ = ["app", "main"]

app = typer.Typer(
    name="layoutgen",
    help="From a lens recipe to a proven wafer layout for e-beam mastering of flat optics.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

JsonFlag = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
QuietFlag = Annotated[bool, typer.Option("--quiet", help="Print nothing but problems.")]
JobsOption = Annotated[
    int | None, typer.Option("--jobs", min=1, help="Workers; every core unless given.")
]
RecipePath = Annotated[Path, typer.Argument(help="The recipe, a YAML file.")]
JobPath = Annotated[Path, typer.Argument(help="A job folder.")]


def _say(text: str, quiet: bool) -> None:
    if not quiet:
        typer.echo(text)


#: Signals of this run that asked it to stop.
_ASKED: list[int] = []
#: Whether this run's work is done: a signal finds nothing to stop any more.
_DONE = False
#: The compiler of the kernels calls back into Python, and what a handler raises in there is lost or ends the
#: process: then it is raised a moment later, or by the next word of progress.
_COMPILER = ("numba.", "llvmlite.")
_MOMENT_S = 0.05


def _stop(number: int, frame: FrameType | None) -> None:
    if _DONE:
        return
    if number != getattr(signal, "SIGALRM", None):
        _ASKED.append(number)
    at = frame
    while at is not None:
        if str(at.f_globals.get("__name__", "")).startswith(_COMPILER):
            _wake(_MOMENT_S)
            return
        at = at.f_back
    raise KeyboardInterrupt


def _wake(after_s: float) -> None:
    """Call the handler again after a while; 0: not any more, so that it does not disturb the clearing up."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, after_s)


def _stopped() -> typer.Exit:
    typer.echo("stopped; nothing is left under the job's name", err=True)
    return typer.Exit(130)


@contextmanager
def _shown(as_json: bool) -> Iterator[None]:
    """Turn errors into sentences and an exit status; a signal ends the run as cleanly as an error."""
    _ASKED.clear()
    # who runs in the background has been told to ignore SIGINT, and goes on ignoring it
    heeded = [n for n in (signal.SIGTERM, signal.SIGINT) if signal.getsignal(n) != signal.SIG_IGN]
    if hasattr(signal, "setitimer"):
        heeded.append(signal.SIGALRM)
    before = {number: signal.signal(number, _stop) for number in heeded}
    try:
        yield
    except LayoutgenError as error:
        if _ASKED:
            raise _stopped() from None
        if as_json:
            key = "problems" if error.exit_status == 2 else "differences"
            typer.echo(json.dumps({key: list(error.problems)}))
        for problem in error.problems:
            typer.echo(problem, err=True)
        raise typer.Exit(error.exit_status) from None
    except KeyboardInterrupt:
        raise _stopped() from None
    except MemoryError:
        typer.echo("out of memory: use fewer --jobs or a machine with more", err=True)
        raise typer.Exit(1) from None
    except Exception:
        if _ASKED:  # what was interrupted may fail in its own way
            raise _stopped() from None
        raise
    finally:
        _wake(0)
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _told() -> Iterator[None]:
    """What has been written is told to the end: a signal that comes too late to stop it says nothing else."""
    global _DONE
    _DONE = True
    try:
        yield
    finally:
        _DONE = False


@contextmanager
def _progress(hidden: bool) -> Iterator[Callable[[str, float], None]]:
    """A bar on standard error, shown once a run takes over a second."""

    def heed(_what: str, _share: float) -> None:
        if _ASKED:
            _wake(0)
            raise KeyboardInterrupt

    if hidden or not sys.stderr.isatty():
        yield heed
        return
    import time

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip
    started, task = time.monotonic(), bar.add_task("", total=1.0)
    running = False

    def show(what: str, share: float) -> None:
        nonlocal running
        heed(what, share)
        if not running and time.monotonic() - started > 1.0:
            bar.start()
            running = True
        bar.update(task, description=what, completed=share)

    try:
        yield show
    finally:
        if running:
            bar.stop()


@app.command()
def build(
    recipe: RecipePath,
    out: Annotated[Path, typer.Option("--out", help="Folder that gets the job folder.")],
    jobs: JobsOption = None,
    only: Annotated[
        str | None, typer.Option("--only", help="Write one die, by its name, as a trial clip.")
    ] = None,
    no_verify: Annotated[
        bool, typer.Option("--no-verify", help="Skip the read-back; the manifest says so.")
    ] = False,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Make the job folder of RECIPE inside --out and verify it."""
    with _shown(as_json):
        with _progress(as_json or quiet) as progress:
            from layoutgen.pipeline.build import build
            from layoutgen.recipe.load import load_recipe

            job = build(
                load_recipe(recipe),
                out,
                jobs=jobs,
                verify=not no_verify,
                only=only,
                progress=progress,
            )
        with _told():
            if as_json:
                facts = {"folder": str(job.folder), "existed": job.existed, **job.manifest}
                typer.echo(json.dumps(facts))
                return
            for warning in job.warnings:
                typer.echo(f"warning: {warning}", err=True)
            _say(_job_text(job.folder, job.manifest, job.existed), quiet)


def _job_text(folder: Path, manifest: dict[str, Any], existed: bool) -> str:
    lines = [f"{folder}: {'already there, the same job' if existed else 'written'}"]
    dies = ", ".join(f"{count} {name}" for name, count in manifest["dies"].items())
    lines.append(f"  dies      {sum(manifest['dies'].values())} ({dies})")
    lines.append(f"  pillars   {manifest['pillars']:,} ({manifest['pillars_stored']:,} stored)")
    for name, facts in manifest["files"].items():
        # what lies in a folder is a foreign cell among the tables
        if name.endswith((".oas", ".gds")) and "/" not in name:
            lines.append(f"  layout    {name}  {facts['bytes']:,} bytes")
    if manifest["write_time_s"] is not None:
        lines.append(f"  writing   {_duration(manifest['write_time_s'])}")
    lines.append(f"  exposed   {manifest['written']}")
    lines.append(f"  verified  {'yes' if manifest['verified'] else 'no'}")
    return "\n".join(lines)


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    if seconds < 7200:
        return f"{seconds / 60:.1f} min"
    return f"{seconds / 3600:.1f} h"


@app.command()
def check(
    recipe: RecipePath,
    jobs: JobsOption = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Everything short of writing: problems, counts, rules, expected sizes and write time."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.errors import InputError
        from layoutgen.pipeline.check import Check, check
        from layoutgen.recipe.load import load_recipe

        try:
            found = check(load_recipe(recipe), jobs=jobs, progress=progress)
        except InputError as error:
            found = Check(error.problems, (), (), {}, 0, {}, None, {})
    if as_json:
        typer.echo(json.dumps(found.as_json()))
    for problem in found.problems:
        typer.echo(problem, err=True)
    if not as_json and not found.problems:
        for warning in found.warnings:
            typer.echo(f"warning: {warning}", err=True)
        _say(_check_text(found), quiet)
    if found.problems:
        raise typer.Exit(2)
    if not found.ok:
        if quiet:
            for rule in found.rules:
                if not rule.ok:
                    typer.echo(f"rule {rule.name}: {rule.sentence}", err=True)
        raise typer.Exit(1)


def _figures(rule: Any) -> str:
    """A rule's figure and limit, where it has them."""
    if rule.value is None:
        return ""
    limit = "" if rule.limit is None else f", limit {rule.limit:.6g}"
    return f" [{rule.value:.6g}{limit}]"


def _check_text(found: Any) -> str:
    dies = ", ".join(f"{count} {name}" for name, count in found.dies.items())
    lines = [f"dies      {sum(found.dies.values())} ({dies})", f"pillars   {found.pillars:,}"]
    for form, size in found.bytes.items():
        lines.append(f"{form:9} about {size / 1e6:,.1f} MB")
    if found.write_time is None:
        lines.append("writing   not known: the recipe gives no dose or no current")
    else:
        time = found.write_time
        lines.append(
            f"writing   {_duration(time.total_s)} (exposure {_duration(time.exposure_s)},"
            f" figures {_duration(time.figures_s)}, fields {_duration(time.fields_s)})"
        )
    for name, lens in found.lenses.items():
        lines.append(
            f"lens      {name}: {lens['pillars']:,} pillars, coverage {lens['coverage_rad']:.3f} rad,"
            f" NA {lens['numerical_aperture']:.4f}, stored as {lens['symmetry']}"
        )
    for name, left in found.tolerances.items():
        lines.append(f"tolerance {name}: {_tolerance_text(left)}")
    if found.sem:
        lines.append(_sem_text(found.sem))
    for rule in found.rules:
        lines.append(
            f"{'ok' if rule.ok else 'FAILED':9} {rule.name}: {rule.sentence}{_figures(rule)}"
        )
    return "\n".join(lines)


def _sem_text(sem: dict[str, Any]) -> str:
    """Where to measure in one line: how many sites, and which effects they tell apart how well."""
    if sem["condition"] is None:
        apart = "which cannot tell effects apart"
    else:
        apart = f"condition {sem['condition']:g} for {', '.join(sem['effects'])}"
    missing = f" (all alike: {', '.join(sem['constant'])})" if sem["constant"] else ""
    return (
        f"sem       {sem['sites']} sites on {sem['dies']} dies, {apart}{missing};"
        f" {sem['pillars_per_site']} pillars a site for {sem['standard_error_nm']:g} nm"
    )


def _tolerance_text(left: dict[str, Any]) -> str:
    """The budget's short form in one line."""
    if left["offset_nm"] is None or left["random_nm"] is None:
        return "no light follows the design, so there is nothing to lose"
    end = " (where the library ends)" if left["offset_nm"] == left["offset_known_nm"] else ""
    return (
        f"{100 * left['loss']:g} % of the efficiency is lost by {left['offset_nm']:.2f} nm on all"
        f" pillars{end}, or by {left['random_nm']:.2f} nm rms on each by itself; the ladder costs"
        f" {100 * left['ladder_loss']:.3f} %"
    )


@app.command()
def verify(
    job: JobPath,
    reader: Annotated[
        str, typer.Option("--reader", help="own (streams) or gdstk (needs the memory).")
    ] = "own",
    jobs: JobsOption = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Read the layout files of JOB back and prove them equal to its recipe."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.errors import InputError
        from layoutgen.pipeline.verify import verify

        if reader not in ("own", "gdstk"):
            raise InputError(f"--reader: want own or gdstk, got {reader!r}")
        found = verify(job, reader=reader, jobs=jobs, progress=progress)
    if as_json:
        typer.echo(json.dumps({"equal": not found, "differences": found}))
    else:
        for problem in found:
            typer.echo(problem, err=True)
        if not found:
            _say(f"{job}: equal to its recipe", quiet)
    if found:
        raise typer.Exit(1)


@app.command()
def picture(
    job: JobPath,
    out: Annotated[
        Path | None, typer.Option("--out", help="PNG file; named after the job unless given.")
    ] = None,
    die: Annotated[
        str | None, typer.Option("--die", help="A die, by its name or as COL,ROW.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", help="Centre of a window, '1 mm, 0.5 mm', from the die's or the wafer's."
        ),
    ] = None,
    size: Annotated[
        str | None, typer.Option("--size", help="Its width and height, '20 um' or '20 um, 10 um'.")
    ] = None,
    quantity: Annotated[
        str | None,
        typer.Option("--map", help="Over a lens: target, drawn, bias, density or phase-error."),
    ] = None,
    lens: Annotated[str | None, typer.Option("--lens", help="The lens of the map.")] = None,
    form: Annotated[
        str | None, typer.Option("--file", help="The layout file to draw from: oasis or gdsii.")
    ] = None,
    site: Annotated[
        str | None,
        typer.Option(
            "--site",
            help="The way to sites of sem_sites.csv, 'S001, S002' or all; --out is a folder.",
        ),
    ] = None,
    pixels: Annotated[int, typer.Option("--pixels", help="Width of the picture.")] = 1400,
    jobs: JobsOption = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Draw a PNG of JOB: the wafer, a die, a window down to single pillars, a map over a lens, or the way to a site."""
    if site is not None:
        others = any(each is not None for each in (die, at, size, quantity, lens, form))
        _site_pictures(job, out, site, pixels, others, as_json, quiet)
        return
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.pipeline.picture import picture as draw

        made = draw(
            job, out, die=die, at=at, size=size, quantity=quantity, lens=lens, form=form,
            pixels=pixels, jobs=jobs, progress=progress,
        )  # fmt: skip
    if as_json:
        typer.echo(json.dumps({"picture": str(made.path), **made.facts}))
    else:
        _say(str(made.path), quiet)


def _site_pictures(
    job: Path, out: Path | None, site: str, pixels: int, others: bool, as_json: bool, quiet: bool
) -> None:
    """`picture --site`: one picture a site."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.errors import InputError
        from layoutgen.pipeline.site_pictures import site_pictures

        if others:
            raise InputError("--site: want it with --out and --pixels at most, got it with more")
        names = None if site == "all" else [each.strip() for each in site.split(",")]
        made = site_pictures(job, names, out, pixels=pixels, progress=progress)
    if as_json:
        typer.echo(json.dumps({"sites": made.facts}))
    else:
        _say("\n".join(str(path) for path in made.paths), quiet)


@app.command()
def refine(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="JOB MEASURED.csv ...",
            help="A job folder and its filled-in sem_sites.csv; of several jobs the last is in force.",
        ),
    ],
    out: Annotated[Path, typer.Option("--out", help="The bias table to write, a CSV file.")],
    offset: Annotated[
        str, typer.Option("--offset", help="The SEM's own error, measured less true, '1.5 nm'.")
    ] = "0 nm",
    stage: Annotated[
        str | None, typer.Option("--stage", help="The stage to put right; master unless given.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option("--report", help="A folder for pictures, or a PNG file.")
    ] = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Make the next bias table from SEM sizes that were measured on JOB."""
    # matrices of a hundred rows: the linear algebra's threads would only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with _shown(as_json):
        from layoutgen.pipeline.refine import refine as next_table
        from layoutgen.pipeline.refine import sem_offset

        jobs = [p for p in paths if p.is_dir() or not (p.exists() or p.suffix.lower() == ".csv")]
        found = next_table(
            jobs, [p for p in paths if p not in jobs], out, offset_nm=sem_offset(offset),
            stage=stage, report=report,
        )  # fmt: skip
    if as_json:
        typer.echo(json.dumps(found.as_json()))
        return
    for warning in found.warnings:
        typer.echo(f"warning: {warning}", err=True)
    _say(found.as_text(), quiet)


@app.command("seed-bias")
def seed_bias(
    recipe: RecipePath,
    out: Annotated[Path, typer.Option("--out", help="The bias table to write, a CSV file.")],
    jobs: JobsOption = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Make the first bias table of RECIPE from its exposure model."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.pipeline.seed import seed_bias as seed
        from layoutgen.recipe.load import load_recipe

        # the table that the recipe names may be the one that is being made
        found = seed(load_recipe(recipe, bias_table=False), out, jobs=jobs, progress=progress)
    if as_json:
        typer.echo(json.dumps(found.as_json()))
        return
    for warning in found.warnings:
        typer.echo(f"warning: {warning}", err=True)
    _say(found.as_text(), quiet)


@app.command()
def predict(
    job: JobPath,
    sizes: Annotated[
        str | None,
        typer.Option("--sizes", help="From which sizes: target, drawn (the default) or printed."),
    ] = None,
    measured: Annotated[
        Path | None,
        typer.Option("--measured", help="A table by refine: from the sizes that were measured."),
    ] = None,
    names: Annotated[
        list[str] | None,
        typer.Option("--of", help="A lens or a deflector; may be repeated; all unless given."),
    ] = None,
    wavelengths: Annotated[
        list[str] | None,
        typer.Option("--wavelength", help="'940 nm'; may be repeated; the design's unless given."),
    ] = None,
    angles: Annotated[
        list[str] | None,
        typer.Option("--angle", help="Of the light, '5 deg'; may be repeated; 0 unless given."),
    ] = None,
    azimuth: Annotated[
        str, typer.Option("--azimuth", help="Direction that oblique light is tilted to.")
    ] = "0 deg",
    offset: Annotated[
        str, typer.Option("--offset", help="What every diameter is larger by.")
    ] = "0 nm",
    random: Annotated[
        str, typer.Option("--random", help="An rms error of each diameter by itself.")
    ] = "0 nm",
    collect: Annotated[
        str | None,
        typer.Option(
            "--collect", help="Radius of collection; 3 widths of the Airy spot unless given."
        ),
    ] = None,
    index: Annotated[
        float, typer.Option("--index", help="Index of the medium that the light leaves into.")
    ] = 1.0,
    efficiency: Annotated[
        float | None,
        typer.Option("--efficiency", help="A wanted efficiency such as 0.8: what does it leave?"),
    ] = None,
    local: Annotated[
        bool, typer.Option("--local", help="Solve nothing by coupled waves: quicker.")
    ] = False,
    pictures: Annotated[
        Path | None, typer.Option("--pictures", help="Folder that gets pictures.")
    ] = None,
    jobs: JobsOption = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """What the lenses and deflectors of JOB will do: spot, Strehl, efficiency, MTF, orders, tolerances."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.pipeline.predict import predict as foretell
        from layoutgen.pipeline.question import read_light

        light = read_light(
            wavelengths=wavelengths or (), angles=angles or (), azimuth=azimuth, offset=offset,
            random=random, collect=collect,
        )  # fmt: skip
        found = foretell(
            job, sizes or ("drawn" if measured is None else "measured"), measured=measured,
            names=names or (), index_behind=index, wanted_efficiency=efficiency,
            local_only=local, pictures=pictures is not None, jobs=jobs, progress=progress, **light,
        )  # fmt: skip
        drawn = [] if pictures is None else found.draw(pictures)
    if as_json:
        typer.echo(json.dumps({**found.as_json(), "pictures": [str(path) for path in drawn]}))
        return
    for warning in found.warnings:
        typer.echo(f"warning: {warning}", err=True)
    _say(found.as_text(), quiet)
    for path in drawn:
        _say(str(path), quiet)


@app.command()
def library(
    spec: Annotated[Path | None, typer.Argument(help="The spec, a YAML file.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The table to write, or with --show the picture.")
    ] = None,
    show: Annotated[
        Path | None, typer.Option("--show", help="Draw this table instead, as a PNG beside it.")
    ] = None,
    jobs: JobsOption = None,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Compute the pillar library of SPEC by coupled waves, or draw one that is there."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.errors import InputError
        from layoutgen.pipeline import library as libraries

        if (spec is None) == (show is None):
            raise InputError("library: want either a SPEC, or --show with a table")
        if show is not None:
            made = libraries.show_library(show, out)
        elif spec is not None:
            if out is None:
                raise InputError(
                    "--out: want the table to write, such as --out library.csv, got none"
                )
            found = libraries.library(libraries.load_spec(spec), out, jobs=jobs, progress=progress)
    if show is not None:
        if as_json:
            typer.echo(json.dumps(made.as_json()))
        else:
            _say(made.as_text(), quiet)
        return
    if as_json:
        typer.echo(json.dumps({"table": str(out), **found.as_json()}))
        return
    for warning in found.warnings:
        typer.echo(f"warning: {warning}", err=True)
    _say(f"{out}: written\n{found.as_text()}", quiet)


@app.command()
def compare(
    a: Annotated[Path, typer.Argument(help="A job folder or a layout file (.oas, .gds).")],
    b: Annotated[Path, typer.Argument(help="Another one.")],
    tolerance: Annotated[
        str, typer.Option("--tolerance", help="Changes of size and moves that are no difference.")
    ] = "0 nm",
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Tell what changed from A to B, in nm and in counts; exit status 1 where they differ."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.pipeline.compare import compare as find

        found = find(a, b, tolerance=tolerance, progress=progress)
    if as_json:
        typer.echo(json.dumps(found.as_json()))
    elif found.equal:
        _say("\n".join([f"{a} and {b}: equal", *(f"note: {note}" for note in found.notes)]), quiet)
    else:
        typer.echo(found.as_text())
    if not found.equal:
        raise typer.Exit(1)


@app.command()
def schema() -> None:
    """Print the JSON Schema of recipes, for editors that complete and check them."""
    from layoutgen.recipe.schema import recipe_schema

    typer.echo(json.dumps(recipe_schema(), indent=2))


def _version(value: bool) -> None:
    if value:
        from layoutgen.pipeline.job import layoutgen_version

        typer.echo(layoutgen_version())
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """From a lens recipe to a proven wafer layout for e-beam mastering of flat optics."""


def main() -> None:
    """Run the command line; a closed pipe ends it quietly, and Ctrl-C before a command has begun in a sentence."""
    try:
        app()
    except KeyboardInterrupt:
        typer.echo("stopped; nothing was begun", err=True)
        raise SystemExit(130) from None
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(1) from None
