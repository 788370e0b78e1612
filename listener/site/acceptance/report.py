"""The acceptance's report: one HTML file that prints on two A4 pages, and the same figures as JSON beside it."""

import base64
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from listener.atomic_write import write_private
from listener.keep.accepted import REPORT_JSON, REPORT_PAGE, Accepted
from listener.score.metrics import Paired, Rate, Share
from listener.site.acceptance import charts
from listener.site.acceptance.findings import Findings, sensitivity_title, shows_not
from listener.tell.cautions import ACCEPTANCE
from listener.tell.html import page

SIGNED_BY = ("Technician", "For the people who launch", "Responsible for this station")
_PRINTED_FALSE = 12


def write_report(found: Findings) -> Path:
    """Write page and JSON into the session's folder, for this account alone, in place of older ones there.

    Gives the page's path. Raises UserError when they cannot be written.
    """
    folder = found.session.folder
    text = json.dumps(as_json(found), indent=1, ensure_ascii=False, allow_nan=False)
    for name, content in ((REPORT_JSON, text + "\n"), (REPORT_PAGE, report_html(found))):
        write_private(folder / name, content)
    return folder / REPORT_PAGE


def headline(found: Findings) -> str:
    """The acceptance in one sentence."""
    share, rate, who = found.now.found, found.now.false, len(found.people)
    people = f"{who} {'person' if who == 1 else 'people'}"
    made = f"{share.k} of {share.n} calls by {people} found" if found.calls else "no calls were made"
    false = f"{rate.count} false {'alert' if rate.count == 1 else 'alerts'} in {span_text(rate.hours)} of normal traffic"
    return f"{made}, {false if rate.hours else 'no normal traffic was heard'}."


def span_text(hours: float) -> str:
    """2.31 -> "2.3 h"; below an hour in minutes, below two minutes in seconds.

    >>> span_text(2.31), span_text(0.5), span_text(0.01)
    ('2.3 h', '30 min', '36 s')
    """
    return f"{hours:.1f} h" if hours >= 1 else f"{hours * 60:.0f} min" if hours * 60 >= 2 else f"{hours * 3600:.0f} s"


def figures(found: Findings) -> list[tuple[str, str, str]]:
    """The key figures: value, what it is, its interval in words."""
    rate = found.now.false
    alerts = "false alert" if rate.count == 1 else "false alerts"
    shown = [
        (_share(found.now.found), "calls found", _share_interval(found.now.found)),
        (f"{rate.count}", f"{alerts} in {span_text(rate.hours)}", _rate_interval(rate)),
    ]
    if found.delays_s:
        worst, between = f"worst {found.delays_s[-1]:.2f} s", found.median_delay_interval
        known = f"95 % interval {between[0]:.2f} to {between[1]:.2f} s; " if between else ""
        shown.append((f"{float(np.median(found.delays_s)):.2f} s", "delay, median", known + worst))
    low = found.levels
    if low.loud is not None:
        rest = f"half of it below {low.middle}, a tenth below {low.quiet}"
        shown.append((f"{low.loud} dBov", "a twentieth of the line is louder", rest))
    return shown


def recommendation(found: Findings) -> list[str]:
    """Which sensitivity is recommended, and whether the calls prove that it is better."""
    best = found.recommended
    name = sensitivity_title(best.name, next(one.level for one in found.at if one.name == best.name))
    if best.name == found.now.name:
        return [f"Leave sensitivity at {name}: {best.why}"]
    lines = [f"Set sensitivity: {name} (now {found.now.name}): {best.why}"]
    if best.against:
        lines.append(_compared(best.against))
    return lines


def _compared(pair: Paired) -> str:
    low, high = pair.interval
    proof = "these calls do not prove a difference" if low <= 0 <= high else "the difference is beyond chance"
    return f"Against now it finds {pair.only_b} calls more and {pair.only_a} fewer of {pair.n}: {proof} (p = {pair.p:.2g})."


def report_html(found: Findings) -> str:
    """The page. Needs nothing from outside itself, and no script."""
    begun, pictures = found.session.begun, {
        "people": charts.people(found), "sensitivities": charts.sensitivities(found), "levels": charts.levels(found),
        "hours": charts.hours(found), "delays": charts.delays(found),
    }  # fmt: skip
    return page(
        "listener.site.acceptance", "acceptance.html",
        begun=begun, channel=begun.channel, day=f"{datetime.fromisoformat(begun.utc):%Y-%m-%d}",
        until=f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
        phrases=[f"{p['words']} ×{p['repeats']}" for p in begun.heard_with["phrases"]],
        headline=headline(found), figures=figures(found), recommendation=recommendation(found),
        pictures={name: svg and _data(svg) for name, svg in pictures.items()},
        people=[_person(one) for one in found.people], at=[_at(one, found) for one in found.at],
        false=list(_false(found)), more_false=max(0, len(found.false) - _PRINTED_FALSE),
        shows_not=list(shows_not(found)), also=list(_also(found)), cautions=ACCEPTANCE, signed_by=SIGNED_BY,
    )  # fmt: skip


def _person(one: Any) -> dict[str, str]:
    level = "–" if one.level_dbov is None else f"{one.level_dbov:.0f}"
    noise = "–" if one.noise_dbov is None else f"{one.noise_dbov:.0f}"
    median = f"{float(np.median(one.delays_s)):.2f}".replace("-", "−") if one.delays_s else "–"
    return {
        "name": one.name, "found": _share(one.found), "interval": _percent(one.found), "partly": str(one.partly or "–"),
        "delay": median, "level": level.replace("-", "−"), "noise": noise.replace("-", "−"),
    }  # fmt: skip


def _at(one: Any, found: Findings) -> dict[str, Any]:
    return {
        "name": sensitivity_title(one.name, one.level), "found": _share(one.found), "interval": _percent(one.found),
        "false": str(one.false.count), "rate": _per_hour(one.false), "is_now": one is found.now,
        "is_best": one.name == found.recommended.name,
    }  # fmt: skip


def _false(found: Findings) -> Iterator[tuple[str, str, str]]:
    """Part, time, how sure: the surest first."""
    for name, told in sorted(found.false, key=lambda one: -one[1].confidence)[:_PRINTED_FALSE]:
        yield name, f"{told.start_s:.1f} s", f"{min(max(told.confidence, 0.01), 0.99):.0%}"


def _also(found: Findings) -> Iterator[str]:
    if found.real_in_traffic:
        n = found.real_in_traffic
        real = "1 alert in the traffic answered a real call" if n == 1 else f"{n} alerts in the traffic answered real calls"
        yield (
            f"{real}, as a person said at the time; they "
            "count neither as false nor as found, since a real call that was missed would not be known."
        )
    if found.blind_h:
        yield f"For {found.blind_h * 60:.0f} minutes the line could not be heard (BLIND); they do not count as hours."
    faults = [f"{part.name}: {fault}" for part in found.session.parts for fault in part.faults]
    if faults:
        yield f"Faults in the sound: {'; '.join(faults[:3])}{f' and {len(faults) - 3} more' if len(faults) > 3 else ''}."
    for one in found.left_out[:5]:
        yield f"Left out: {one.what}: {one.why}"
    if len(found.left_out) > 5:
        yield f"And {len(found.left_out) - 5} more were left out; report.json names them."


def as_json(found: Findings) -> dict[str, Any]:
    """All figures, for programs; its head is what the watch reads (listener.keep.accepted). Shares 0..1, None for none."""
    begun, now = found.session.begun, datetime.now(UTC)
    head = Accepted(
        utc=now.strftime("%Y-%m-%dT%H:%M:%SZ"), unix_s=round(now.timestamp(), 1), channel=begun.channel, source=begun.source,
        headline=headline(found), heard_with=begun.heard_with, engine=begun.engine, model=begun.model, version=begun.version,
        is_complete=found.is_complete,
    )  # fmt: skip
    return {
        **head.model_dump(mode="json"),
        "begun_utc": begun.utc, "how": begun.how, "in_force": begun.in_force,
        "recommended": {"sensitivity": found.recommended.name, "why": found.recommended.why},
        "sensitivities": [
            {"name": one.name, "alert_level": one.level, "found": _share_json(one.found), "false_alerts": _rate_json(one.false)}
            for one in found.at
        ],
        "people": [
            {"name": one.name, "found": _share_json(one.found), "partly_heard": one.partly, "delays_s": list(one.delays_s),
             "level_dbov": one.level_dbov, "noise_dbov": one.noise_dbov}
            for one in found.people
        ],
        "delays_s": list(found.delays_s),
        "delays_from": "marked end of the call" if found.delays_are_marked else "end as heard",
        "levels_dbov": {"tenth": found.levels.quiet, "half": found.levels.middle, "95 %": found.levels.loud},
        "frames_by_dbov": {str(level): n for level, n in found.frames.items()},
        "blind_h": round(found.blind_h, 4), "real_calls_in_traffic": found.real_in_traffic,
        "false": [{"part": name, **told.model_dump()} for name, told in found.false],
        "left_out": [{"what": one.what, "why": one.why} for one in found.left_out],
        "shows_not": list(shows_not(found)), "recommendation": recommendation(found), "cautions": list(ACCEPTANCE),
    }  # fmt: skip


def _share_json(share: Share) -> dict[str, Any]:
    low, high = share.interval
    return {"k": share.k, "n": share.n, "interval_95": [round(low, 4), round(high, 4)],
            "design_effect": round(share.worth.design_effect, 3), "people": share.worth.clusters}  # fmt: skip


def _rate_json(rate: Rate) -> dict[str, Any]:
    low, high = rate.interval
    has = rate.hours > 0
    return {"count": rate.count, "hours": round(rate.hours, 4), "per_h": round(rate.value, 4) if has else None,
            "interval_95_per_h": [round(low, 4), round(high, 4)] if has else None}  # fmt: skip


def _share(share: Share) -> str:
    return f"{share.k} of {share.n}" if share.n else "–"


def _percent(share: Share) -> str:
    low, high = share.interval
    return f"{low * 100:.0f}–{high * 100:.0f} %" if share.n else "–"


def _share_interval(share: Share) -> str:
    low, high = share.interval
    by = ", by person" if share.worth.clusters > 1 else ""
    return f"95 % interval {low * 100:.0f} to {high * 100:.0f} %{by}" if share.n else "no call was made"


def _per_hour(rate: Rate) -> str:
    low, high = rate.interval
    return f"{rate.value:.2f} ({low:.2f}–{high:.2f})" if rate.hours else "–"


def _rate_interval(rate: Rate) -> str:
    low, high = rate.interval
    return f"{low:.2f} to {high:.2f} an hour (95 %)" if rate.hours else "no normal traffic was heard"


def _data(svg: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
