"""The command line: options to plan, calls, summary, exit status. Nothing is computed here.

Heavy libraries are imported inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from gradecheck import __version__
from gradecheck.bars import bars
from gradecheck.errors import Finding, GradecheckError, InputError, OutputError, PlanError
from gradecheck.exits import EXIT_FAULT, EXIT_INTERRUPTED, EXIT_UNUSABLE, KEPT, complain, fail, interrupted, print_json

if TYPE_CHECKING:
    from gradecheck.measurement import Spread
    from gradecheck.plan import Plan

# typer carries its own copy of click from 0.2x on: take the class from where it is, whichever that be.
_UsageTrouble: type[Any] = next(c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException")

app = typer.Typer(
    name="gradecheck",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

PlanArgument = Annotated[str | None, typer.Argument(metavar="PLAN.toml", help="The plan file.", show_default=False)]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but errors.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output, errors included.")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"gradecheck {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    """What dry-barrel fire hydrants need once a road's grade changes, and the parts to order.

    New here? An invented town, ready to run, with a plan that explains itself:

    \b
    gradecheck starter try-it
    gradecheck inspect try-it/plan.toml
    gradecheck run try-it/plan.toml
    """


@app.command()
def run(
    plan: PlanArgument = None,
    out: Annotated[
        str | None, typer.Option(metavar="DIR", help="Output folder; default the plan's, else 'out'.")
    ] = None,
    hydrants: Annotated[str | None, typer.Option(metavar="FILE", help="One-off: the hydrant layer.")] = None,
    before: Annotated[
        list[str] | None, typer.Option(metavar="FILE", help="One-off: existing ground; may be repeated.")
    ] = None,
    after: Annotated[
        list[str] | None, typer.Option(metavar="FILE", help="One-off: design ground; may be repeated.")
    ] = None,
    before_unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="One-off: vertical unit of --before, if its files do not say.")
    ] = None,
    after_unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="One-off: vertical unit of --after, if its files do not say.")
    ] = None,
    id_column: Annotated[
        str | None, typer.Option("--id", metavar="COLUMN", help="One-off: column that holds the ids.")
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="One-off: unit of small heights: in, ft, mm, cm or m.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Work on the Dask cluster of this scheduler.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="N", min=1, max=256, help="Work in N processes on this machine.")
    ] = None,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Use nothing that an interrupted run of this plan has kept.")
    ] = False,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Decide every hydrant, total the order, write the files.

    Takes a plan, or for a one-off the layer and the two grounds:

    \b
    gradecheck run try-it/plan.toml
    gradecheck run --hydrants try-it/hydrants.gpkg --before try-it/existing \\
      --after try-it/design.tif --id asset_id --out one-off
    """
    _not_empty(("PLAN.toml", plan), ("--out", out), ("--hydrants", hydrants), ("--cluster", cluster))
    if cluster is not None and workers is not None:
        raise PlanError(Finding("command line", "both --cluster and --workers", "give one or the other"))
    given = {"--hydrants": hydrants, "--before": before, "--after": after}
    more = {"--before-unit": before_unit, "--after-unit": after_unit, "--id": id_column, "--unit": unit}
    if plan is not None and any({**given, **more}.values()):
        flags = ", ".join(name for name, value in {**given, **more}.items() if value)
        raise PlanError(
            Finding(
                "command line",
                f"both a plan and {flags}",
                "give one or the other; a pattern stands in quotes, else the shell spreads it out",
            )
        )
    if plan is not None:
        loaded = _load(plan, out)
    else:
        missing = [name for name, value in given.items() if not value]
        if missing:
            mend = "give a plan file (`gradecheck starter DIR` writes one), or --hydrants, --before and --after"
            raise PlanError(Finding("command line", f"nothing to run: {', '.join(missing)} not given", mend))
        from gradecheck.plan import Plan

        loaded = Plan.one_off(
            str(hydrants), before or [], after or [], out=out or "out", id=id_column,
            before_unit=before_unit, after_unit=after_unit, unit=unit or "in",
        )  # fmt: skip
    from gradecheck import pipeline
    from gradecheck.outputs.summary import summary_text
    from gradecheck.resuming import Interrupted

    with bars(quiet or as_json) as progress, _spread(cluster, workers) as spread:
        try:
            result = pipeline.run(loaded, progress=progress, spread=spread, fresh=fresh)
        except Interrupted as stopped:
            KEPT.append(f"{stopped.kept} of {stopped.of} finished batches are kept for the next run of this plan")
            raise
    folder = loaded.resolve(loaded.output.dir).as_posix()
    if as_json:
        print_json({"ok": True, "folder": folder, **result.summary})
    elif not quiet:
        typer.echo(summary_text(result.summary, folder))


@app.command()
def inspect(
    plan: Annotated[str, typer.Argument(metavar="PLAN.toml", help="The plan file.")],
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Say what the inputs are and what would stop a run.

    Nothing is decided and nothing is written.

    \b
    gradecheck inspect try-it/plan.toml
    """
    _not_empty(("PLAN.toml", plan))
    loaded = _load(plan, None)
    from gradecheck import pipeline
    from gradecheck.outputs.checklist import inspection_json, inspection_lines

    found = pipeline.inspect(loaded)
    if as_json:
        print_json(inspection_json(found))
    elif not quiet:
        typer.echo("\n".join(inspection_lines(found)))
    elif found.stops:
        complain("this would stop a run", found.stops)
    if found.stops:
        raise typer.Exit(EXIT_UNUSABLE)


@app.command()
def order(
    package: Annotated[str, typer.Argument(metavar="GPKG", help="The reviewed GeoPackage that a run wrote.")],
    out: Annotated[
        str | None, typer.Option(metavar="DIR", help="Folder for the order; default beside the GeoPackage.")
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Total the parts again, from a reviewed layer alone.

    First fill in review_action and, where it is to be another one, the review
    extension in the layer "hydrants"; nothing but the GeoPackage is read.

    \b
    gradecheck order try-it/out/gradecheck.gpkg
    """
    _not_empty(("GPKG", package), ("--out", out))
    if os.path.isdir(package):  # noqa: PTH112
        raise InputError(Finding(package, "is a folder", "name the GeoPackage in it, gradecheck.gpkg"))
    from gradecheck import pipeline
    from gradecheck.outputs.summary import order_text

    summary = pipeline.order(package, out=out)
    folder = out or os.path.dirname(package) or "."  # noqa: PTH120
    if as_json:
        print_json({"ok": True, "folder": folder, **summary})
    elif not quiet:
        typer.echo(order_text(summary, folder))


@app.command()
def confirm(
    plan: Annotated[str, typer.Argument(metavar="PLAN.toml", help="The plan file.")],
    asbuilt: Annotated[
        str,
        typer.Option(metavar="FILE", help="Ground as built: raster, LandXML, DXF, or surveyed points (CSV, layer)."),
    ],
    field: Annotated[
        list[str] | None, typer.Option(metavar="FILE", help="A form that crews filled in; may be repeated.")
    ] = None,
    date_order: Annotated[
        str | None, typer.Option(metavar="mdy|dmy", help="Order of dates such as 03/04/2027 in --field files.")
    ] = None,
    job: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this job; may be repeated. Default: all.")
    ] = None,
    out: Annotated[
        str | None, typer.Option(metavar="DIR", help="Folder; default 'confirm' in the plan's output folder.")
    ] = None,
    asbuilt_unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="Unit of the heights, if FILE does not say.")
    ] = None,
    asbuilt_crs: Annotated[
        str | None, typer.Option(metavar="CRS", help="Reference system, if FILE does not say.")
    ] = None,
    asbuilt_surface: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which surface of a LandXML file.")
    ] = None,
    asbuilt_sd: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='How well the ground is surveyed; default "0.05 ft".')
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """After construction: what stands against what was planned.

    Writes a list to sign, new facts for the register, and a layer.

    \b
    gradecheck confirm try-it/plan.toml --asbuilt try-it/asbuilt.csv \\
      --field try-it/measurements_done.csv
    """
    _not_empty(("PLAN.toml", plan), ("--asbuilt", asbuilt), ("--out", out), *(("--field", f) for f in field or ()))
    loaded = _load(plan, None)
    from gradecheck import pipeline
    from gradecheck.asbuilt import given
    from gradecheck.outputs.confirm_summary import confirm_text

    survey = given(asbuilt, asbuilt_unit, asbuilt_crs, asbuilt_surface, asbuilt_sd)
    with bars(quiet or as_json) as progress:
        _, summary = pipeline.confirm(
            loaded, survey, field=field or (), date_order=date_order, jobs=job or (), out=out, progress=progress
        )
    folder = out or (loaded.resolve(loaded.output.dir) / "confirm").as_posix()
    if as_json:
        print_json({"ok": True, "folder": folder, **summary})
    elif not quiet:
        typer.echo(confirm_text(summary, folder))


@app.command()
def starter(
    folder: Annotated[str, typer.Argument(metavar="DIR", help="A new or empty folder.")],
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Write a small invented project, ready to run.

    Data of a town that is not, and plans with comments to change into yours.

    \b
    gradecheck starter try-it
    gradecheck run try-it/plan.toml
    """
    _not_empty(("DIR", folder))
    from gradecheck.starter import write_starter

    plan = write_starter(folder)
    if as_json:
        print_json({"ok": True, "plan": plan.as_posix()})
    elif not quiet:
        name = plan.as_posix()
        typer.echo(f"Written to {folder}. Next:\n  gradecheck inspect {name}\n  gradecheck run {name}")


def _not_empty(*given: tuple[str, str | None]) -> None:
    """An empty text, as an unset variable of a script gives, would be the current folder."""
    for name, value in given:
        if value is not None and not value.strip():
            raise PlanError(Finding("command line", f"{name} is empty", "name a file or folder, or leave it out"))


def _load(plan: str, out: str | None) -> Plan:
    from gradecheck.plan import Plan

    loaded = Plan.load(plan)
    if out is None:
        return loaded
    # --out is relative to where the command is given, unlike the plan's own paths.
    return loaded.with_output(os.path.abspath(out))  # noqa: PTH100


@contextmanager
def _spread(cluster: str | None, workers: int | None) -> Iterator[Spread | None]:
    """How batches are worked: None for this process alone."""
    if cluster is None and workers is None:
        yield None
        return
    from gradecheck.cluster import joined

    with joined(cluster, workers) as spread:
        yield spread


def main() -> NoReturn:
    """Entry point: every way out has its exit status and one message, never a traceback for a bad input."""
    if len(sys.argv) == 1:
        sys.argv.append("--help")
    try:
        status = _left(app)
    except GradecheckError as error:
        fail(error.title, list(error.findings), EXIT_UNUSABLE)
    except _UsageTrouble as error:
        mend = f"see {_command(getattr(error, 'ctx', None))} --help"
        fail("the command cannot be used", [Finding("command line", error.format_message(), mend)], EXIT_UNUSABLE)
    except (KeyboardInterrupt, typer.Abort):
        interrupted()
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(EXIT_FAULT) from None
    except Exception as error:  # the last net: a fault of ours, told as one
        if os.environ.get("GRADECHECK_TRACEBACK"):
            raise
        what = f"{type(error).__name__}: {error}"
        mend = "set GRADECHECK_TRACEBACK=1 and run again to see where; please report it"
        fail("a fault in gradecheck itself", [Finding("", what, mend)], EXIT_FAULT)
    if status == EXIT_FAULT and _COMPLETION & set(sys.argv):
        what = "which shell this is cannot be found out, or there is no completion for it"
        fail("no completion", [Finding("command line", what, _BY_HAND)], EXIT_UNUSABLE)
    if status == EXIT_INTERRUPTED:  # typer turns Ctrl-C into this status, without a word
        interrupted()
    raise SystemExit(status if isinstance(status, int) else 0)


_COMPLETION = {"--show-completion", "--install-completion"}
_BY_HAND = "_GRADECHECK_COMPLETE=source_bash gradecheck prints it for bash; source_zsh and source_fish likewise"


def _left(command: Callable[..., Any]) -> Any:
    """The status that a command ends with; completion ends the program by itself, and by 1 where it knows no shell."""
    try:
        return command(standalone_mode=False)
    except SystemExit as left:
        return left.code
    except OSError as error:
        if not _COMPLETION & set(sys.argv):
            raise
        what = f"{error.filename}: {error.strerror}"
        raise OutputError(Finding("command line", what, _BY_HAND)) from None


def _command(context: Any) -> str:
    """The command that a context stands for, as it is called."""
    names: list[str] = []
    while context is not None and context.parent is not None:
        names.insert(0, context.info_name)
        context = context.parent
    return " ".join(["gradecheck", *names])
