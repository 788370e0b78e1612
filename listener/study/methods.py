"""The methods section: everything that is needed to repeat a study, in sentences and facts."""

import polars as pl

from listener.score.match import TOLERANCE_S
from listener.study.design import Design
from listener.study.people.rows import METHOD
from listener.study.plan import RecordedRoom
from listener.study.results import BUDGET_PER_HOUR, Result
from listener.study.size import alike_in, as_text, for_interval, rounds
from listener.study.sound import LINE_DBOV


def paragraphs(result: Result) -> list[str]:
    """What was done, in order."""
    plan = result.plan
    rooms = [name + (", measured" if isinstance(room, RecordedRoom) else "") for name, room in plan.rooms.items() if room]
    said = [
        f"Each call is a phrase said by one speaker, word by word, with pauses of {plan.gap_s[0]:g} to {plan.gap_s[1]:g} s "
        "on an even beat (15 % about the call's own), each word within 1 dB of the others; recordings of whole calls are "
        f"taken as they are. {plan.lead_s:g} s of noise lead in and {plan.tail_s:g} s follow. Speakers "
        "take turns; the SNRs of a curve always have the same ones.",
        f"The SNR is the active level of the clean speech (ITU-T P.56, method B; {plan.level_dbov:g} dBov) over the RMS level "
        f"of the noise, both measured in {plan.band_hz[0]:g}-{plan.band_hz[1]:g} Hz; without noise the line "
        f"hisses at {LINE_DBOV:g} dBov. Then the mixture passes the radio's stages. "
        + (f"Rooms ({'; '.join(rooms)}) are put on the speech before the noise." if rooms else ""),
        "Every trial's random draws come from the plan's seed, its condition and its number alone; all engines hear the same "
        "samples. An engine listens through the same Monitor as live, for all the plan's phrases at once.",
        f"A call is found when an alert for its phrase has its middle within {TOLERANCE_S:g} s of it, one alert to one call. "
        "2-of-3 counts a call that was shown as partly heard as well. Scores for the trade-off are those of the same call "
        "rule with an alert level that nothing reaches. A trial that failed counts as missed; failed negatives add no hours.",
        "Intervals are 95 %: Wilson for shares, exact Poisson for rates, Newcombe for differences. Calls by one speaker are "
        "alike, so shares and differences count calls for what they are worth: the variance between speakers over that of "
        "independent calls (Korn and Graubard 1998; at least 1) divides them, estimated over all SNRs of a condition together, "
        "with Student's t by Satterthwaite's degrees of freedom. p-values over SNRs are Holm's. The psychometric curve is "
        "a logistic with a lapse share, fitted by maximum likelihood; its intervals are Student's t times the spread of "
        f"{plan.resamples} bootstrap samples over speakers. The term-weighted value is NIST's (beta 999.9, one chance of a "
        "false alarm each second); the equal-error point is where miss and that chance are equal.",
        "The SNR during the call is measured in the radio's band as mixed, and as the radio gives it, there by phase "
        "inversion (Hagerman and Olofsson 2004): the radio's own noise counts as noise.",
        "SII (ANSI S3.5-1997, third octaves) and STI (IEC 60268-16, male) are predicted from the call's own speech and noise "
        "after the radio's band-pass, speech at 62.35 dB SPL; codec, gain control and clipping are not in them. A "
        "measured room has no STI.",
    ]  # fmt: skip
    said.append(planning(result))
    if plan.negatives.hours:
        seconds = Design(plan).negative_seconds()
        even = len(set(seconds.values())) == 1
        names = {ratio: "quiet" if ratio is None else f"{ratio:g} dB" for ratio in seconds}
        parts = "in equal parts at " if even else ""
        parts += ", ".join(names[r] + ("" if even else f" {s / 3600:.3g} h") for r, s in seconds.items())
        heard = result.of(result.engines[0])
        unique = float(heard.lines["seconds"].sum()) / 60
        hard = float(heard.lines.filter(pl.col("hard"))["seconds"].sum()) / 60
        said.insert(3, f"Negatives: {plan.negatives.hours:g} h for each engine in pieces of {plan.negatives.piece_s:g} s, "
                    f"lines of talk by all speakers with pauses of {plan.negatives.pause_s[0]:g} to "
                    f"{plan.negatives.pause_s[1]:g} s, {parts}, through the same noises and radios. Each line is said "
                    f"once before any is said again: {unique:.1f} minutes of different talk, {hard:.1f} of them hard lines. "
                    "Zero false alarms are worth what their hours are: see the interval. A rate that the hours cannot "
                    "support (fewer than 3 / rate) is left blank.")  # fmt: skip
    if result.has_people:
        said.append(METHOD)
    return [one for one in said if one]


def planning(result: Result) -> str:
    """What a study of these speakers would need for a narrower answer."""
    alike = alike_in(result.of(result.engines[0]))
    if alike is None:
        return ""
    speakers = result.of(result.engines[0]).calls["speaker"].n_unique()
    needs = [for_interval(0.1, 0.05, n, alike) for n in dict.fromkeys((speakers, 20, 40))]
    return (f"Size: calls of one speaker are alike by {alike:.2f} here (intraclass correlation). For a miss of 10 % to within "
            f"5 points at one SNR: {'; '.join(map(as_text, needs))}. {rounds(0.5)}.")  # fmt: skip


def facts(result: Result) -> list[tuple[str, str]]:
    """Names and values to repeat it by."""
    plan, lock = result.plan, result.lock
    budget = ", ".join(f"{v:g}" for v in BUDGET_PER_HOUR)
    speech = [*plan.speech.voices, *(f"recordings in {r.folder.name}" + (f" (split {r.split})" if r.split else "")
                                     for r in plan.speech.recordings)]  # fmt: skip
    return [
        ("to repeat", f"save the plan below as a file and run: listener study FILE (seed {plan.seed})"),
        ("speech", "; ".join(speech)),
        ("calls a condition", str(plan.trials)),
        ("false-alarm rates in the summary, per hour", budget),
        ("plan", lock["plan_sha256"]),
        ("speech and noise", lock["bank_sha256"]),
        ("program", lock["code_sha256"]),
        *((f"model of {name}", value) for name, value in lock["models_sha256"].items()),
        ("versions", ", ".join(f"{k} {v}" for k, v in lock["versions"].items())),
        ("machine", f"{lock['machine']}, Python {lock['python']}"),
    ]
