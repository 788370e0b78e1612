"""The record for people: a table on the console, and a page that prints."""

from rich.table import Table

from listener.drill.record import AroundLine, Delays, DrillLine, PersonLine, Record
from listener.drill.record_charts import trends_picture
from listener.drill.trends import Arm, Compared, StepLine
from listener.score.metrics import Share
from listener.tell.cautions import DRILL
from listener.tell.console import results_console
from listener.tell.html import page


def share_text(share: Share) -> str:
    """'5 of 6 (44 to 97 %)'."""
    low, high = share.interval
    return f"{share.k} of {share.n} ({low * 100:.0f} to {high * 100:.0f} %)"


def delays_text(delays: Delays) -> str:
    """'2.1 s (1.7 to 3.9), worst 3.9 s'."""
    if delays.median_s is None or delays.worst_s is None:
        return "–"
    interval = delays.interval_s
    between = f" ({interval[0]:z.1f} to {interval[1]:z.1f})" if interval else " (too few for an interval)"
    return f"{delays.median_s:z.1f} s{between}, worst {delays.worst_s:z.1f} s".replace("-", "−")


def rate_text(record: Record) -> str:
    """'2 false alerts in 1.5 h: 1.3 per hour (0.2 to 4.8)'."""
    rate = record.false_per_hour
    low, high = rate.interval
    an_hour = rate.value if rate.hours else 0.0
    count = record.total.false_alerts
    noun = "false alert" if count == 1 else "false alerts"
    return f"{count} {noun} in {record.total.heard_s / 3600:.2f} h: {an_hour:.1f} per hour ({low:.1f} to {high:.1f})"


DRILL_HEADS = ("drill", "date", "crew", "calls found", "false alerts", "alert: median delay")
PEOPLE_HEADS = ("who", "what", "drills", "after how many calls", "median delay")


def drill_row(line: DrillLine) -> tuple[str, ...]:
    """A drill as cells under DRILL_HEADS."""
    return line.title, line.date, line.crew, share_text(line.found), str(line.false_alerts), delays_text(line.delays)


def person_row(line: PersonLine) -> tuple[str, ...]:
    """A person's action as cells under PEOPLE_HEADS."""
    return line.who, line.what, str(line.drills), share_text(line.answered), delays_text(line.delays)


STEP_HEADS = ("step", "drills", "in order and in time", "late", "out of order", "not done", "median delay")
COMPARED_HEADS = ("what", "alerts shown: mean delay", "alerts hidden: mean delay", "slower without them by")


def step_row(line: StepLine) -> tuple[str, ...]:
    """An expected step as cells under STEP_HEADS."""
    counts = (str(count) for count in (line.late, line.out_of_order, line.not_done))
    delays = delays_text(Delays(line.delays_s))
    return f"{line.who}: {line.what}", str(line.drills), share_text(line.well), *counts, delays


def compared_row(line: Compared) -> tuple[str, ...]:
    """An action with alerts and without, as cells under COMPARED_HEADS."""
    interval = line.interval_s
    between = f" ({interval[0]:z.1f} to {interval[1]:z.1f})" if interval else " (too few drills for an interval)"
    return line.what, _arm_text(line.shown), _arm_text(line.hidden), f"{line.slower_s:z.1f} s{between}".replace("-", "−")


AROUND_HEADS = ("heard around the alerts", "right", "another one told", "unclear", "not heard")


def around_row(line: AroundLine) -> tuple[str, ...]:
    """How positions or callers were heard, as cells under AROUND_HEADS."""
    return line.what, share_text(line.right), str(line.another), str(line.unclear), str(line.not_heard)


def _arm_text(arm: Arm) -> str:
    drills = "1 drill" if arm.drills == 1 else f"{arm.drills} drills"
    return f"{arm.mean_s:z.1f} s; {drills}, after {share_text(arm.answered)} calls".replace("-", "−")


def print_record(record: Record) -> None:
    """Both tables on stdout."""
    console = results_console()
    if not console.is_terminal:
        console.width = 160  # a pipe has no width: fold nothing
    drills = Table(*DRILL_HEADS, title="Drills (95 % intervals)", title_justify="left")
    for line in record.drills:
        drills.add_row(*drill_row(line))
    drills.add_section()
    drills.add_row(*drill_row(record.total), style="bold")
    console.print(drills)
    console.print(rate_text(record))
    if record.people:
        people = Table(*PEOPLE_HEADS, title="People (95 % intervals)", title_justify="left")
        for person in record.people:
            people.add_row(*person_row(person))
        console.print(people)
    for heads, rows, title in (
        (AROUND_HEADS, [around_row(line) for line in record.around], "Positions and callers (95 % intervals)"),
        (STEP_HEADS, [step_row(line) for line in record.steps], "Expected steps (95 % intervals)"),
        (COMPARED_HEADS, [compared_row(line) for line in record.compared], "Alerts shown and hidden (95 %, over drills)"),
    ):
        if rows:
            table = Table(*heads, title=title, title_justify="left")
            for row in rows:
                table.add_row(*row)
            console.print(table)


def record_html(record: Record, title: str) -> str:
    """The record as one self-contained page."""
    return page(
        "listener.drill", "record.html",
        title=title,
        drill_heads=DRILL_HEADS,
        drills=[drill_row(line) for line in record.drills],
        total=drill_row(record.total),
        rate=rate_text(record),
        around_heads=AROUND_HEADS,
        around=[around_row(line) for line in record.around],
        people_heads=PEOPLE_HEADS,
        people=[person_row(line) for line in record.people],
        step_heads=STEP_HEADS,
        steps=[step_row(line) for line in record.steps],
        compared_heads=COMPARED_HEADS,
        compared=[compared_row(line) for line in record.compared],
        trends=trends_picture(record.trends),
        cautions=DRILL,
    )
