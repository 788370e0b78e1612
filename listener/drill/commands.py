"""The commands of `listener drill`. Without a command's name it is `score`: listener drill DRILL.yaml."""

import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from listener.errors import UsageError, UserError

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from listener.drill.check import Sound
    from listener.drill.hear import HeardTrack
    from listener.drill.play import PlayOptions
    from listener.drill.score import DrillScore
    from listener.score.labels import Label
    from listener.settings import Settings


class _ScoreByDefault(TyperGroup):
    """Takes the first word for a file when it is not a command."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if args and args[0] not in self.commands and args[0] not in ("--help", "-h"):
            args = ["score", *args]
        return super().parse_args(ctx, args)


drill = typer.Typer(cls=_ScoreByDefault, no_args_is_help=True)

Config = Annotated[Path | None, typer.Option(help="Settings file (YAML), in place of the drill's.")]
Engine = Annotated[str | None, typer.Option(help="The recogniser: see 'listener models'.")]


def register(app: typer.Typer) -> None:
    """Put `drill` into the program."""
    app.add_typer(drill, name="drill")


@drill.callback()
def about() -> None:
    """Exercises: score a recorded drill and write its debrief (listener drill DRILL.yaml), or make one."""


@drill.command()
def score(
    drills: Annotated[list[Path], typer.Argument(metavar="DRILL.yaml...", help="Drill files.", show_default=False)],
    out: Annotated[Path | None, typer.Option(help="The debrief (HTML). Without it: beside the drill file.")] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="The figures as JSON lines on stdout; a debrief only with --out.")
    ] = False,
    paced: Annotated[bool, typer.Option("--paced", help="First play it live, as 'listener drill play' does.")] = False,
    config: Config = None,
    engine: Engine = None,
) -> None:
    """Listen to a drill's recordings, score it and write the debrief."""
    from listener.atomic_write import check_page, write_page
    from listener.drill.debrief import debrief_html, headline
    from listener.drill.result import result_of

    if out and len(drills) > 1:
        raise UsageError("--out names one debrief; leave it out for several drills")
    if paced:
        if len(drills) > 1:
            raise UsageError("--paced plays one drill; name one")
        from listener.drill.play import PlayOptions

        drills = [_played(drills[0], PlayOptions(plain=as_json), None, config, engine)[0]]
    status = _check_config(config)
    for path in drills:
        try:
            page = out or (None if as_json else _beside(path, ".html"))
            if page:
                check_page(page)
            scored, tracks = _scored(path, config, engine)
            if as_json:
                print(result_of(scored, path).model_dump_json(), flush=True)
            if page:
                write_page(page, debrief_html(scored, tracks))
            if not as_json:
                print(f"{path}: {headline(scored)}\n  debrief: {page}", flush=True)
        except UserError as error:
            status = max(status, _tell(error))
    raise typer.Exit(status)


@drill.command()
def play(
    path: Annotated[Path, typer.Argument(metavar="DRILL.yaml", help="The drill file.", show_default=False)],
    speed: Annotated[float, typer.Option(help="1 is real time; 2 is twice as fast.", min=0.1, max=20.0)] = 1.0,
    who: Annotated[str, typer.Option(help="Who sits at the console.")] = "trainee",
    out: Annotated[
        Path | None, typer.Option(help="The drill with what was done. Without it: DRILL_played.yaml.")
    ] = None,
    wait: Annotated[float, typer.Option(help="Seconds left at the end to acknowledge what is open.", min=0.0)] = 15.0,
    sound: Annotated[bool, typer.Option("--tone/--no-tone", help="Whether an alert sounds.")] = True,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines, also on a terminal.")] = False,
    page: Annotated[bool, typer.Option("--page/--no-page", help="Whether the watch page is served, for a browser.")] = True,
    alerts: Annotated[
        bool, typer.Option("--alerts/--no-alerts", help="Whether the machine's alerts are shown; they are kept either way.")
    ] = True,
    config: Config = None,
    engine: Engine = None,
) -> None:
    """Play a drill as if it were live; what is acknowledged is added to a copy of it as human actions."""
    from listener.drill.play import PlayOptions

    if not alerts and speed != 1.0:
        raise UsageError("--no-alerts is played at --speed 1: people hear it by ear")
    played, count = _played(path, PlayOptions(speed, who, wait, sound, plain, page, alerts), out, config, engine)
    print(f"{played}: {count} actions added; score it with: listener drill {played}")


@drill.command()
def new(
    recordings: Annotated[list[Path], typer.Argument(help="Recordings of one drill.", show_default=False)],
    out: Annotated[Path, typer.Option(help="The drill file to write.")] = Path("drill.yaml"),
    title: Annotated[str, typer.Option(help="What the drill is called.")] = "Drill",
    labels: Annotated[
        Path | None, typer.Option(help="Labels made by hand: .txt (Audacity), .vtt, .rttm, .csv.")
    ] = None,
    config: Config = None,
    engine: Engine = None,
) -> None:
    """Start a drill file: the listener drafts it from the recordings, the trainer corrects it."""
    from listener.atomic_write import check_new, write_new
    from listener.drill.check import check_drill
    from listener.drill.draft import blank_drill, draft
    from listener.drill.script import drill_settings
    from listener.settings import Settings, read_settings

    phrase = (read_settings(config) if config else Settings()).phrases[0]
    check_new(out)
    read = _read_labels(labels) if labels else []
    blank = blank_drill(title, phrase, recordings, out.parent)
    sounds = check_drill(blank, out)
    heard = _hear_all(sounds, drill_settings(blank, out.parent, config, engine))[0]
    text, left_out = draft(blank, out, heard, read)
    _tell_some(str(labels), left_out)
    write_new(out, text)
    print(f"{out}: drafted; listen, correct it, then: listener drill {out}")


@drill.command()
def labels(
    path: Annotated[Path, typer.Argument(metavar="DRILL.yaml", help="The drill file.", show_default=False)],
    out: Annotated[
        Path, typer.Option(help="Where to: .txt (Audacity), .vtt (WebVTT), .rttm or .csv.", show_default=False)
    ],
    heard: Annotated[bool, typer.Option("--heard", help="Also what the listener hears.")] = False,
    config: Config = None,
    engine: Engine = None,
) -> None:
    """Write a drill's calls, words, actions and traffic as a label track."""
    from listener.atomic_write import check_new, write_new
    from listener.drill.check import check_drill
    from listener.drill.convert import drill_labels, heard_labels
    from listener.drill.script import drill_settings, read_drill
    from listener.score.labels import format_of

    kind = format_of(out)
    check_new(out)
    found = read_drill(path)
    sounds = check_drill(found, path)
    lines = drill_labels(found)
    if heard:
        lines = sorted(
            [*lines, *heard_labels(_hear_all(sounds, drill_settings(found, path.parent, config, engine))[0])]
        )
    write_new(out, kind.text(lines))
    print(f"{out}: {len(lines)} labels")


@drill.command()
def record(
    files: Annotated[
        list[Path], typer.Argument(help="Drill files, or results from --json (.json).", show_default=False)
    ],
    crew: Annotated[str | None, typer.Option(help="Only this crew's drills.")] = None,
    who: Annotated[str | None, typer.Option(help="Only drills in which this person acted.")] = None,
    out: Annotated[Path | None, typer.Option(help="Also write the record as a page (HTML).")] = None,
    config: Config = None,
    engine: Engine = None,
) -> None:
    """Put several drills together: a crew's or a trainee's record, with intervals."""
    from listener.atomic_write import check_page, write_page
    from listener.drill.record import record_of
    from listener.drill.record_page import print_record, record_html
    from listener.drill.result import Result, read_results, result_of

    if out:
        check_page(out)
    results: list[Result] = []
    status = _check_config(config)
    for file in files:
        is_json = file.suffix.lower() in (".json", ".jsonl")
        try:
            results += read_results(file) if is_json else [result_of(_scored(file, config, engine)[0], file)]
        except UserError as error:
            status = max(status, _tell(error))
    if not results:
        raise typer.Exit(status)
    found = record_of(results, crew, who)
    print_record(found)
    if status:
        print(f"{len(files)} files named; those reported on stderr are not in this record", file=sys.stderr)
    if out:
        title = f"Record of {who or crew or 'all drills'}"
        write_page(out, record_html(found, title))
    raise typer.Exit(status)


@drill.command()
def make(
    name: Annotated[Path, typer.Argument(help="What to write: NAME.flac and NAME.yaml.", show_default=False)],
    voices: Annotated[Path, typer.Option(help="Folder of clean recordings with their manifest.")] = Path(
        "recordings_synthetic"
    ),
    minutes: Annotated[float, typer.Option(help="How long.")] = 5.0,
    phrase: Annotated[str, typer.Option(help="The words of the call.")] = "suspend",
    calls: Annotated[int, typer.Option(help="How many, at random times.")] = 3,
    at: Annotated[str, typer.Option(help="Or their times: 0:40,2:05.5")] = "",
    noise: Annotated[str, typer.Option(help="turbine, wind_deck, static, rotor, ... or none.")] = "turbine",
    snr: Annotated[tuple[float, float], typer.Option(help="Lowest and highest SNR in dB.")] = (5.0, 15.0),
    radio: Annotated[str, typer.Option(help="The radio: band, aircraft_am, handheld_fm, weak_signal, ...")] = "band",
    distractors: Annotated[int, typer.Option(help="How often something is said that is not a call.")] = 4,
    cut: Annotated[int, typer.Option(help="How many calls lose their start to late keying.")] = 0,
    overlaps: Annotated[int, typer.Option(help="How many calls are talked over.")] = 0,
    traffic: Annotated[bool, typer.Option("--traffic/--no-traffic", help="Ordinary talk in between.")] = True,
    seed: Annotated[int, typer.Option(help="Another seed is another exercise.", min=0)] = 1,
) -> None:
    """Compose a new exercise from synthetic voices and simulated noise."""
    from listener.drill.make import Order, write_exercise
    from listener.drill.make import make as compose
    from listener.drill.voices import read_voices
    from listener.settings import plain_words

    phrase = plain_words(phrase)
    times = tuple(_time(text) for text in at.split(",") if text.strip())
    order = Order(
        name.stem.replace("_", " ").capitalize(), minutes, phrase, 3, calls, times, noise, snr, radio, distractors, cut,
        overlaps, traffic, seed,
    )  # fmt: skip
    audio, made = compose(order, read_voices(voices, phrase))
    path = write_exercise(audio, made, name)
    print(f"{path}: {len(made.calls)} calls in {minutes:g} minutes; score it with: listener drill {path}")


def _played(
    path: Path, options: "PlayOptions", out: Path | None, config: Path | None, engine: str | None
) -> tuple[Path, int]:
    """Play a drill live; gives the copy with what was done, and how much that was."""
    import threading

    from listener.atomic_write import check_new, own_folder, write_new
    from listener.drill.check import check_drill
    from listener.drill.play import actions_of, played_drill, prepare, with_steps
    from listener.drill.play import play as play_stage
    from listener.drill.script import drill_settings, drill_text, read_drill
    from listener.watch.page.serve import PageServer
    from listener.watch.show.terminal import ConsoleView
    from listener.watch.station import Station

    out = out or _beside(path, "_played.yaml")
    check_new(out)
    if out.parent.resolve() != path.parent.resolve():
        raise UsageError(f"{out}: must be in the drill's own folder, from where its recordings are named")
    found = read_drill(path)
    sounds = check_drill(found, path)
    folder = _beside(out, "_journal" if not out.suffix else "")
    own_folder(folder, known_by=("journal.db",))
    stage = prepare(sounds, folder)
    settings = drill_settings(found, path.parent, config, engine)
    settings = with_steps(settings if options.tone else settings.without_tone(), found)

    def show(station: Station, ended: threading.Event) -> Callable[[], None]:
        server = PageServer(station, options.page)
        if server.address:
            print(f"page: {server.address}", file=sys.stderr)
        view = ConsoleView(station, options.plain, ended.set)

        def close() -> None:
            server.close()
            view.close()

        return close

    rows = play_stage(settings, stage, folder, options, show)
    actions = actions_of(rows, stage, options.who)
    write_new(out, drill_text(played_drill(found, actions, options.speed, options.alerts)))
    return out, len(actions)


def _scored(path: Path, config: Path | None, engine: str | None) -> "tuple[DrillScore, list[HeardTrack]]":
    from listener.drill.check import check_drill
    from listener.drill.score import score as score_drill
    from listener.drill.script import drill_settings, read_drill

    found = read_drill(path)
    sounds = check_drill(found, path)
    tracks, name = _hear_all(sounds, drill_settings(found, path.parent, config, engine))
    return score_drill(found, tracks, name), tracks


def _hear_all(sounds: "list[Sound]", settings: "Settings") -> "tuple[list[HeardTrack], str]":
    """Every track through the listener, with a progress bar on a terminal; and the engine's name."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from listener.drill.hear import hear
    from listener.speech.engines import load_engine
    from listener.tell.console import side_console

    engine = load_engine(settings)
    side = side_console()
    columns = TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn()
    with Progress(*columns, console=side, transient=True, disable=not side.is_terminal) as bar:
        heard = []
        for sound in sounds:
            task = bar.add_task(sound.track.name, total=sound.end_s - sound.start_s)
            heard.append(hear(sound, settings, engine, partial(_completed, bar, task)))
    return heard, engine.name


def _completed(bar: "Progress", task: "TaskID", read_s: float) -> None:
    bar.update(task, completed=read_s)


def _read_labels(path: Path) -> "list[Label]":
    from listener.score.labels import format_of, read_labels

    read = read_labels(path)
    _tell_some(str(path), [f"line {bad.number}: {bad.why}; skipped" for bad in read.bad])
    if read.bad:
        if not read.labels:
            raise UserError(f"{path}: holds no label that can be read as {format_of(path).name}; check what the file is")
        print(f"{path}: {len(read.labels)} labels read", file=sys.stderr)
    return list(read.labels)


_SHOWN = 5


def _tell_some(file: str, left_out: Sequence[str]) -> None:
    """What was left out of a file, one line each; of many only the first, and how many more."""
    for why in left_out[:_SHOWN]:
        print(f"{file}: {why}", file=sys.stderr)
    if len(left_out) > _SHOWN:
        print(f"{file}: and {len(left_out) - _SHOWN} more; {len(left_out)} in all", file=sys.stderr)


def _tell(error: UserError) -> int:
    """One line on stderr for each thing that is wrong; gives the exit status it means."""
    for line in str(error).splitlines():
        print(f"listener: {line}", file=sys.stderr)
    return error.status


def _check_config(config: Path | None) -> int:
    """Settings named on the command line are wrong for all the files: told once, at once."""
    from listener.settings import read_settings

    if config:
        read_settings(config)
    return 0


def _beside(path: Path, end: str) -> Path:
    """The file of the same name with another end. Raises UserError for what names no file."""
    if not path.stem:
        raise UserError(f"{path}: names no file")
    return path.with_name(path.stem + end)


def _time(text: str) -> float:
    from pydantic import TypeAdapter, ValidationError

    from listener.drill.script import Time

    try:
        return TypeAdapter(Time).validate_python(text.strip())
    except ValidationError:
        raise UsageError(f"--at {text.strip()!r}: no time; write 63.7 or 1:03.7, with commas between") from None
