"""The study commands: `listener study PLAN`, `listener study report DIR`, `listener study compare A B`."""

import time
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from listener.errors import SettingsError, UsageError


class _RunUnlessNamed(TyperGroup):
    """A first word that is not a command is a plan to run."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if args and args[0] not in self.commands and args[0] not in ("--help", "-h"):
            args = ["run", *args]
        return super().parse_args(ctx, args)


app = typer.Typer(
    cls=_RunUnlessNamed, no_args_is_help=True, help="How well detection holds up in noise: run a study plan."
)

ResultFolder = Annotated[Path, typer.Argument(help="Folder with a study's results.")]


@app.command()
def run(
    plan: Annotated[Path, typer.Argument(help="Study plan (YAML).")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the results. Without it: PLAN's name + _results, here.")
    ] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Processes. Without it: all cores.")] = None,
    cluster: Annotated[str | None, typer.Option(help="Address of a Dask scheduler, e.g. tcp://host:8786.")] = None,
) -> None:
    """Run a study, or go on with one that was stopped; then write its report. This word may be left out."""
    _need_extra()
    from listener.study.plan import read_plan
    from listener.study.run import cores, run_study
    from listener.tell.console import side_console

    console = side_console()
    read = read_plan(plan)
    folder = out or Path(f"{plan.stem}_results")
    began_s = time.monotonic()
    trials = run_study(read, folder, workers or cores(), cluster, console)
    from listener.study.report import write_report  # takes a second, which a study that is stopped need not spend

    report_path = write_report(folder)
    console.print(f"took {time.monotonic() - began_s:.0f} s", highlight=False)
    print(trials)
    print(report_path)


@app.command()
def report(folder: ResultFolder) -> None:
    """Write the report of a finished study again."""
    _need_extra()
    from listener.study.report import write_report

    print(write_report(folder))


@app.command()
def compare(
    a: ResultFolder,
    b: ResultFolder,
    out: Annotated[Path, typer.Option(help="Folder for the page and its table.")] = Path("compare_results"),
) -> None:
    """Put two results side by side, with the intervals of their differences."""
    _need_extra()
    from listener.study.compare import compare as compare_results

    page, frame = compare_results(a, b, out)
    print(frame.write_csv(), end="")
    print(page)


@app.command()
def sounds(
    folder: ResultFolder,
    missed: Annotated[bool, typer.Option("--missed", help="Only the calls that were missed.")] = False,
    false: Annotated[bool, typer.Option("--false", help="Only the stretches with false alerts.")] = False,
    trial: Annotated[int | None, typer.Option(min=0, help="Only the sound of this trial (its index).")] = None,
    engine: Annotated[str | None, typer.Option(help="Missed or wrongly told by this engine. Without it: by any.")] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for them. Without it: DIR + _sounds, here.")] = None,
) -> None:
    """Write the sounds of a study as WAV files: what engines missed, or all of them for another system to hear."""
    _need_extra()
    from listener.study.listening import chosen, write_sounds
    from listener.study.results import load_result

    if missed + false + (trial is not None) > 1:
        raise UsageError("--missed, --false and --trial: give one of them, or none for all sounds")
    result = load_result(folder)
    excerpts = chosen(result, "missed" if missed else "false" if false else "all", trial, engine)
    print(write_sounds(result, out or Path(f"{folder.name}_sounds"), excerpts))


@app.command("import")
def import_(
    folder: ResultFolder,
    hits: Annotated[Path, typer.Argument(help="What another system heard in the study's sounds (.csv, .ctm, .rttm).")],
    name: Annotated[str, typer.Option(help="What the report calls it.")],
) -> None:
    """Score another system on the same sounds: its hits, from a file; then write the report again."""
    _need_extra()
    from listener.study.imported import import_hits
    from listener.study.report import write_report
    from listener.study.results import load_result

    print(import_hits(load_result(folder), hits, name))
    print(write_report(folder))


@app.command()
def size(
    miss: Annotated[float, typer.Option(min=0.001, max=0.999, help="Share of calls missed that is expected.")] = 0.1,
    reach: Annotated[float, typer.Option(min=0.001, max=0.5, help="How far its 95 % interval may reach.")] = 0.05,
    better: Annotated[float | None, typer.Option(min=0.0, max=0.999, help="Or: tell it apart from this share.")] = None,
    per_hour: Annotated[float, typer.Option(min=0.001, help="False alerts an hour that are to be excluded.")] = 0.5,
    like: Annotated[Path | None, typer.Option(help="A study's folder: its speakers are as alike as those to come.")] = None,
    alike: Annotated[float, typer.Option(min=0.0, max=1.0, help="Or: how alike one speaker's calls are, 0 to 1.")] = 0.1,
) -> None:
    """How many speakers, calls and hours a study needs."""
    _need_extra()
    from listener.study.results import load_result
    from listener.study.size import alike_in, as_text, for_difference, for_interval, rounds

    if like:
        result = load_result(like)
        told = alike_in(result.of(result.engines[0]))
        if told is None:
            raise UsageError(f"{like}: one speaker, or one call of each: it cannot tell how alike calls are; give --alike")
        alike = told
    wanted = f"within {reach:.1%}" if better is None else f"told apart from {better:.1%} (power 80 %)"
    print(f"A miss of {miss:.1%} {wanted}, calls of one speaker alike by {alike:.2f}:")
    for speakers in (4, 8, 12, 20, 40, 80):
        need = for_interval(miss, reach, speakers, alike)
        print(" ", as_text(need if better is None else for_difference(miss, better, speakers, alike)))
    print(rounds(per_hour))


@app.command()
def people(
    folder: ResultFolder,
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Port on this computer; 0 takes a free one.")] = 8767,
    calls: Annotated[int, typer.Option(min=4, max=500, help="Calls of the study that each listener hears.")] = 48,
    consent: Annotated[Path | None, typer.Option(help="Your own text to agree to. Without it: one that comes along.")] = None,
    listener: Annotated[str, typer.Option(help="Go on with this listener (the random name the page showed).")] = "",
) -> None:
    """Serve a page on which people hear the study's sounds; their answers become an engine called people."""
    _need_extra()
    from listener.study.people.desk import Desk
    from listener.study.people.serve import serve_people
    from listener.tell.console import side_console

    desk = Desk(folder, calls)
    if listener:
        desk.session(listener)
    console = side_console()
    for line in ("Headphones on, nobody else in the room. This is no hearing test.",
                 "Ctrl-C ends it; every answer is kept, and the same command goes on."):  # fmt: skip
        console.print(line, highlight=False)
    serve_people(desk, port, consent, lambda address: print(f"{address}l/{listener}" if listener else address, flush=True))
    console.print(f"for the figures: listener study report {folder}", highlight=False)


def _need_extra() -> None:
    """Before the work begins, not when its report is due."""
    try:
        import joblib, matplotlib, polars, pyarrow, scipy  # noqa: E401, F401, I001
        import statsmodels  # type: ignore[import-untyped]  # noqa: F401
    except ImportError as error:
        raise SettingsError(f"studies need {error.name}: pip install 'launch-listener[study]'") from None
