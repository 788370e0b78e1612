"""`listener voices`: the crew's own takes of a phrase, and what is learnt from them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from listener.errors import UsageError, UserError

if TYPE_CHECKING:
    from listener.settings import Settings
    from listener.site.voices import Voices

app = typer.Typer(no_args_is_help=True, help="The crew's own voices: takes of a phrase, and what is learnt from them.")

Config = Annotated[Path | None, typer.Option(help="Settings file (YAML). Without it: suspend, three times.")]
Folder = Annotated[Path | None, typer.Option(help="The station's folder, in place of the settings'.")]
Who = Annotated[str, typer.Option(help="Whose voice it is.")]
Phrase = Annotated[str | None, typer.Option(help="Which phrase; without it, the first of the settings.")]
Consent = Annotated[bool, typer.Option("--consent", help="This person has read what is asked (voices consent) and agrees.")]


def register(program: typer.Typer) -> None:
    """Put these commands into the program."""
    program.add_typer(app, name="voices")


@app.command()
def consent() -> None:
    """Print what a person agrees to."""
    from listener.site.voices import CONSENT
    from listener.tell import cautions

    print(f"{CONSENT}\n{cautions.RECORDING_LAW} {cautions.NOT_CERTIFIED}")


@app.command()
def add(
    files: Annotated[list[Path], typer.Argument(help="Sound files, each the phrase said once.", show_default=False)],
    who: Who, phrase: Phrase = None, consent: Consent = False, config: Config = None, folder: Folder = None,
) -> None:  # fmt: skip
    """Keep recorded takes. A take that is no good is named with the reason; the others are kept."""
    from listener.site.voices import read_take

    _, voices, said = _station(config, folder, phrase)
    takes = []
    for file in files:
        try:
            takes.append((file, read_take(file)))
        except UserError as error:
            print(f"listener: {error}", file=sys.stderr)
    _check_agreed(voices, who, consent)
    kept = 0
    for file, take in takes:
        if wrong := voices.why_not(said, take):
            print(f"listener: {file}: not kept: {'; '.join(wrong)}", file=sys.stderr)
        else:
            voices.agree(who)
            voices.add(who, said, take)
            kept += 1
    print(f"{kept} of {len(files)} takes of {said!r} by {who} kept in {voices.root}")
    raise typer.Exit(0 if kept == len(files) else 1)


@app.command()
def record(
    who: Who, phrase: Phrase = None, takes: Annotated[int, typer.Option(min=1, max=50, help="How many good ones.")] = 5,
    seconds: Annotated[float, typer.Option(min=1.0, max=10.0, help="How long each may take.")] = 3.0,
    channel: Annotated[str | None, typer.Option(help="Which channel of the settings; without it, the first.")] = None,
    consent: Consent = False, config: Config = None, folder: Folder = None,
) -> None:  # fmt: skip
    """Record takes through the real radio, one after another; each is judged at once."""
    from listener.site.voices import judge_take
    from listener.site.voices_record import Radio

    settings, voices, said = _station(config, folder, phrase)
    _check_agreed(voices, who, consent)
    kept = tried = 0
    try:
        with Radio(settings, channel) as radio:
            while kept < takes and tried < 3 * takes:
                tried += 1
                print(f"take {kept + 1} of {takes}: say {said!r} now, once ({seconds:.0f} s)", flush=True)
                take = judge_take(*radio.listen(seconds))
                if wrong := voices.why_not(said, take):
                    print(f"   not kept: {'; '.join(wrong)}", flush=True)
                    continue
                voices.agree(who)
                voices.add(who, said, take)
                kept += 1
                print("   good", flush=True)
    finally:  # also where it was stopped, or the radio went silent
        if tried:
            print(f"{kept} of {takes} takes of {said!r} by {who} kept in {voices.root}", flush=True)
    raise typer.Exit(0 if kept == takes else 1)


@app.command("list")
def list_voices(config: Config = None, folder: Folder = None) -> None:
    """Whose takes there are."""
    _, voices, _ = _station(config, folder, None)
    for said in voices.phrases():
        for who, some in voices.takes(said).items():
            print(f"{said}: {who}, {len(some)} takes")
    if not voices.phrases():
        print(f"no takes in {voices.root}", file=sys.stderr)


@app.command()
def learn(phrase: Phrase = None, config: Config = None, folder: Folder = None) -> None:
    """Learn a phrase from the takes: seconds to a minute. Taken only if takes and talk that were not learnt from say so."""
    from listener.site.examples import learn as learnt
    from listener.speech.examples import packed
    from listener.tell import cautions

    settings, voices, said = _station(config, folder, phrase)
    takes = voices.takes(said)
    if not takes:
        raise UserError(f"{voices.root}: no takes of {said!r}; record some with 'listener voices record'")
    examples, outcome = learnt(said, takes, settings)
    loudest = max((one for some in takes.values() for one in some), key=lambda one: float(abs(one).mean()))
    file, proof = voices.keep_learnt(said, packed(examples), loudest)
    without = "the dictionary lacks it" if outcome.before is None else f"{outcome.before:.0%} without"
    print(f"{said!r}: learnt from {outcome.takes} takes by {outcome.people} people")
    print(f"  takes of others than those it was learnt from, clear enough for a call: {outcome.after:.0%} ({without})")
    alerts = "" if outcome.alerts_before is None else f" ({outcome.alerts_before} without)"
    print(f"  false alerts in {outcome.talk_h:.1f} h of talk: {outcome.alerts_after}{alerts}")
    print("  other talk, above all in noise, may give far more: try it on your own traffic (listener acceptance)")
    print(f"To use it, in the settings:\near: {{examples: '{file.parent}'}}")
    print(f"watch: {{proof: {{words: {{'{said}': '{proof}'}}}}}}")
    print(f"{cautions.NOT_CERTIFIED} {cautions.BACKUP} {cautions.NO_PERMISSION}")


@app.command()
def delete(who: Who, config: Config = None, folder: Folder = None) -> None:
    """Delete a person's takes and consent, and whatever was learnt with them."""
    _, voices, _ = _station(config, folder, None)
    count = voices.delete(who)
    print(f"{count} takes of {who} deleted, and what was learnt with them; learn again from the others: listener voices learn")


def _station(config: Path | None, folder: Path | None, phrase: str | None) -> tuple[Settings, Voices, str]:
    from listener.settings import Settings, plain_words, read_settings
    from listener.site.voices import Voices

    settings = read_settings(config) if config else Settings()
    said = plain_words(phrase if phrase is not None else settings.phrases[0].words)
    if not said:
        raise UsageError("--phrase: has at least one word")
    return settings, Voices(folder or settings.watch.state_folder), said


def _check_agreed(voices: Voices, who: str, consent: bool) -> None:
    """What they agreed to is written with their first take, not before: a radio that gives no sound leaves nothing behind."""
    voices.check_name(who)
    if not consent and who not in voices.people():
        raise UsageError(f"--who {who}: has not agreed yet; show them 'listener voices consent' and add --consent")
