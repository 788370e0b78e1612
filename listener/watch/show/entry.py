"""What a person writes at the foot of the live view, key by key: who takes the watch, works on a radio, ends a call."""

from collections.abc import Callable
from dataclasses import dataclass, field

from listener.errors import UserError
from listener.watch.duty import LONGEST_WORK_MIN, open_points
from listener.watch.state import Shown, followed
from listener.watch.station import Station

IDLE_S = 60.0
"""An entry nobody goes on with is left, so that the keys are themselves again."""
_MOST_LETTERS = 40


@dataclass
class Entry:
    """Questions asked one after the other; done(answers) with all of them, which gives the line that says it is done."""

    questions: list[str]
    done: Callable[[list[str]], str]
    checks: dict[int, Callable[[str], bool]] = field(default_factory=dict)
    answers: list[str] = field(default_factory=list)
    text: str = ""
    wrong: bool = False
    touched_s: float = 0.0

    @property
    def line(self) -> str:
        """What stands at the foot."""
        return f"{'? ' if self.wrong else ''}{self.questions[len(self.answers)]}: {self.text}_   (Enter; Esc leaves)"

    def press(self, key: str) -> str | None:
        """One key. Gives None while it goes on, and at the end what to say: empty if it was left."""
        if key == "\x1b":
            return ""
        if key in ("\x7f", "\b"):
            self.text = self.text[:-1]
        elif key in ("\r", "\n"):
            answer = self.text.strip()
            self.wrong = not self.checks.get(len(self.answers), bool)(answer)
            if not self.wrong:
                self.answers.append(answer)
                self.text = ""
            if len(self.answers) == len(self.questions):
                try:
                    return self.done(self.answers)
                except UserError as error:
                    return str(error)
        elif key.isprintable() and len(self.text) < _MOST_LETTERS:
            self.text += key
        return None


def take_watch(station: Station) -> Entry:
    """Asks who takes the watch; what is open is told with the question."""
    points = len(open_points(station.snapshot()))
    question = f"I take the watch ({points or 'nothing'} open), name"
    return Entry([question], lambda given: f"{station.desk.take_watch(given[0]).who} has the watch")


def newest_open(station: Station) -> Shown | None:
    """The call that the keys for steps and endings mean: the newest that nobody has resolved, among those that are shown."""
    view = station.snapshot()
    calls = [call for channel in view.channels for call in followed(channel, view.resolved_as, view.unix_s)]
    return max(calls, key=lambda call: call.unix_s, default=None)


def tick_step(station: Station, number: int) -> str:
    """The step of this number after the newest open call is done; gives what to say."""
    call, steps = newest_open(station), station.settings.watch.steps
    if not 1 <= number <= len(steps):
        return f"no step {number} in the settings (watch.steps)"
    if call is None or (alert := station.logbook.rows.row(call.id)) is None:
        return "no call that is not resolved: a step done since goes on the page, beside its call"
    name = steps[number - 1].name
    if any(step.name == name for step in call.steps):  # its time stands
        return f"{name}: was done already"
    station.desk.step(alert, name, "console")
    return f"{name}: done"


def resolve(station: Station) -> Entry | None:
    """Asks how the newest open call ended, and who says so; None if no call is open."""
    call, endings = newest_open(station), station.settings.watch.resolved_as
    alert = station.logbook.rows.row(call.id) if call else None
    if alert is None or not endings:
        return None

    def is_ending(text: str) -> bool:
        return text.isdecimal() and 1 <= int(text) <= len(endings)

    def done(given: list[str]) -> str:
        ending = endings[int(given[0]) - 1]
        return f"resolved: {ending}" if station.desk.resolve(alert, given[1], ending) else "it had ended already"

    which = ", ".join(f"{n} {ending}" for n, ending in enumerate(endings, 1))
    when = f"{alert.channel}, {alert.utc[11:19]} UTC"
    return Entry([f"How did the call end ({when}): {which}", "By whom"], done, {0: is_ending})


def radio_work(station: Station) -> Entry:
    """Asks which radio is worked on, for how long and by whom; work that is under way is ended by 0 minutes."""
    names = [channel.name for channel in station.settings.watch.channels]

    def is_channel(text: str) -> bool:
        return text.isdecimal() and 1 <= int(text) <= len(names)

    def is_minutes(text: str) -> bool:
        return text.isdecimal() and int(text) <= LONGEST_WORK_MIN

    def done(given: list[str]) -> str:
        name, minutes, who = names[int(given[0]) - 1], int(given[1]), given[2]
        if not minutes:
            return f"work on {name} ended" if station.desk.end_work(name, who) else f"nobody works on {name}"
        station.desk.begin_work(name, who, minutes)
        return f"{who} works on {name} for {minutes} min"

    which = ", ".join(f"{n} {name}" for n, name in enumerate(names, 1))
    questions = [f"Radio work on which ({which})", "For how many minutes (0: ended)", "By whom"]
    return Entry(questions, done, {0: is_channel, 1: is_minutes})
