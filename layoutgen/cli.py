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


@contextmanager
def _shown(as_json: bool) -> Iterator[None]:
    """Turn errors into sentences and an exit status; a signal ends the run as cleanly as an error."""

    def stop(number: int, _frame: object) -> None:
        raise KeyboardInterrupt(signal.Signals(number).name)

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    except LayoutgenError as error:
        if as_json:
            key = "problems" if error.exit_status == 2 else "differences"
            typer.echo(json.dumps({key: list(error.problems)}))
        for problem in error.problems:
            typer.echo(problem, err=True)
        raise typer.Exit(error.exit_status) from None
    except KeyboardInterrupt:
        typer.echo("stopped; nothing is left under the job's name", err=True)
        raise typer.Exit(130) from None
    except MemoryError:
        typer.echo("out of memory: use fewer --jobs or a machine with more", err=True)
        raise typer.Exit(1) from None
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _progress(hidden: bool) -> Iterator[Callable[[str, float], None]]:
    """A bar on standard error, shown once a run takes over a second."""
    if hidden or not sys.stderr.isatty():
        yield lambda what, share: None
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
    no_verify: Annotated[
        bool, typer.Option("--no-verify", help="Skip the read-back; the manifest says so.")
    ] = False,
    as_json: JsonFlag = False,
    quiet: QuietFlag = False,
) -> None:
    """Make the job folder of RECIPE inside --out and verify it."""
    with _shown(as_json), _progress(as_json or quiet) as progress:
        from layoutgen.pipeline.build import build
        from layoutgen.recipe.load import load_recipe

        job = build(load_recipe(recipe), out, jobs=jobs, verify=not no_verify, progress=progress)
    if as_json:
        typer.echo(json.dumps({"folder": str(job.folder), "existed": job.existed, **job.manifest}))
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
        if name.endswith((".oas", ".gds")):
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
    for rule in found.rules:
        lines.append(
            f"{'ok' if rule.ok else 'FAILED':9} {rule.name}: {rule.sentence}{_figures(rule)}"
        )
    return "\n".join(lines)


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
    """Run the command line; a closed pipe ends it quietly."""
    try:
        app()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(1) from None
