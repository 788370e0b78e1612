"""How the page looks and is used: sizes, themes, contrast, keys alone, screen readers, a script that stands still.

In a real Chromium on a running station. Contrast is computed as WCAG 2.2 defines it (success criteria 1.4.3 and 1.4.11);
accessibility is judged by axe-core, the reference engine.
"""

import os
import re
import shutil
import subprocess
import time

import pytest

from listener.keep.records import Query, Records
from listener.tell.console import confidence_text
from tests.parts import need_python
from tests.watch.page.browser import (
    CHROMIUM,
    LIVE,
    chromium,
    opened,
    shown_cover,
    until,
)
from tests.watch.page.parts import STEPS, served
from tests.watch.parts import noise, save

axe = need_python("axe_playwright_python.sync_playwright", "pip install axe-playwright-python")
SIZES = {"laptop": (1280, 720), "wall": (3840, 2160), "phone": (390, 844)}


@pytest.fixture(scope="module")
def browser(need):
    need(CHROMIUM is not None, "Chromium (apt install chromium)")
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    """Two channels, one of them with a call that nobody acknowledged."""
    with served(tmp_path_factory.mktemp("look"), [3.0], length_s=600.0, channels=2) as station:
        station.wait_alert()
        station.wait("the other one listening", lambda s: s.snapshot().channels[1].state == "LISTENING")
        yield station


def luminance(colour: str) -> float:
    """WCAG 2.2 relative luminance of an sRGB colour: '#rrggbb' or 'rgb(r, g, b)'."""
    if colour.startswith("#"):
        parts = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    else:
        parts = [int(v) for v in re.findall(r"\d+", colour)[:3]]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (p / 255 for p in parts)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_is_computed_as_the_standard_does():
    """Known pairs: #767676 on white just passes 4.5:1, #777777 just fails; black on white is 21:1."""
    assert contrast("#767676", "#ffffff") == pytest.approx(4.542, abs=0.001)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.478, abs=0.001)
    assert contrast("rgb(0, 0, 0)", "#ffffff") == pytest.approx(21.0)


TEXT = [
    ("ink", "panel"), ("ink", "ground"), ("muted", "panel"), ("muted", "ground"), ("well", "panel"), ("well", "ground"),
    ("partly-ink", "partly"), ("call-ink", "call"), ("blind-ink", "blind"), ("dead-ink", "dead"), ("dead-ink", "dead-2"),
]  # fmt: skip
MARKS = [
    ("line", "panel"), ("well", "panel"), ("partly-edge", "panel"), ("speech", "panel"), ("call-mark", "panel"),
    ("partly-mark", "panel"), ("blind-mark", "panel"), ("call", "call-ink"), ("blind", "blind-ink"), ("partly-edge", "partly"),
]  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_pair_of_colours_has_the_contrast_that_it_needs(browser, station, scheme):
    with opened(browser, station.address, scheme=scheme) as page:
        page.wait_for_selector(LIVE)
        names = sorted({name for pair in TEXT + MARKS for name in pair})
        colours = page.evaluate(
            "names => { const css = getComputedStyle(document.documentElement);"
            " return Object.fromEntries(names.map(n => [n, css.getPropertyValue('--' + n).trim()])) }",
            names,
        )
    low = {p: round(contrast(colours[p[0]], colours[p[1]]), 2) for p in TEXT if contrast(colours[p[0]], colours[p[1]]) < 4.5}
    low |= {p: round(contrast(colours[p[0]], colours[p[1]]), 2) for p in MARKS if contrast(colours[p[0]], colours[p[1]]) < 3.0}
    assert not low


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["", "history", "settings", "enter"])
def test_axe_finds_nothing_serious(browser, station, scheme, path):
    with opened(browser, station.address + path, scheme=scheme) as page:
        if not path:
            page.wait_for_selector(LIVE)
            page.wait_for_selector(".channel[data-state='CALL HEARD']")
        found = axe.Axe().run(page).response["violations"]
    serious = [(v["id"], v["nodes"][0]["html"][:120]) for v in found if v["impact"] in ("serious", "critical")]
    assert not serious


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_a_call_fills_its_block_and_is_readable_from_afar_at_every_size(browser, station, size):
    with opened(browser, station.address, size=size) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        block = page.locator(".channel[data-state='CALL HEARD']")
        told = block.inner_text()
        for word in ("CALL HEARD", "SUSPEND ×3", "UTC", "ago", "confidence", "advisory: confirm by ear"):
            assert word in told
        assert re.search(r"\d\d:\d\d:\d\d here · \d\d:\d\d:\d\d UTC · \d+ (s|min)", told)
        state = block.locator(".state").bounding_box()
        # Letters of 1/25 of the screen's height are read from two metres on a 24 inch screen: 12 mm and more.
        letters = page.evaluate("parseFloat(getComputedStyle(document.querySelector('.state')).fontSize)")
        assert letters >= (size[1] / 25 if size[0] > 600 else 32)
        assert 0 <= state["x"] and state["x"] + state["width"] <= size[0] and state["y"] + state["height"] <= size[1]
        # Nothing is wider than the screen, and the button is on it.
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        button = block.locator(".ack").bounding_box()
        assert button["y"] + button["height"] <= size[1] and button["height"] >= 24  # WCAG 2.2, 2.5.8


def test_each_state_has_a_word_a_shape_and_a_colour_of_its_own(browser, station):
    with opened(browser, station.address) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        seen = set()
        for state, shape in {"LISTENING": "●", "PARTLY HEARD": "◆", "CALL HEARD": "▲", "BLIND": "✖"}.items():
            colour = page.evaluate(
                """async state => {
                    const { ChannelView } = await import("/static/channel.js");
                    const { Store } = await import("/static/store.js");
                    const look = { number: 9, name: "x", device: "", state, since_unix_s: 0, because: [], level_dbov: -20, noise_dbov: -50,
                      snr_db: 20, words: [], last_alert: null, last_partly: null, unacknowledged: [], unresolved: [], unresolved_more: 0, engine: "", model: "", proof_passed: true,
                      proof_unix_s: 0, gaps: 0, restarts: 0 };
                    const view = new ChannelView(look, false);
                    document.getElementById("channels").append(view.element);
                    view.update(look, new Store(), 0);
                    const css = getComputedStyle(view.element);
                    const told = [view.element.querySelector(".state").innerText, css.backgroundColor + css.borderLeftColor];
                    view.element.remove();
                    return told;
                }""",
                state,
            )
            assert colour[0].split() == [shape, *state.split()]
            seen.add(colour[1])
        assert len(seen) == 4


def test_nothing_moves_on_a_calm_page(browser, station):
    with opened(browser, station.address) as page:
        page.wait_for_selector(LIVE)
        running = page.evaluate("document.getAnimations().map(a => a.effect.target.id)")
        assert set(running) == {"dead"} and shown_cover(page) == 0
        assert page.evaluate("[...document.querySelectorAll('*')].every(e => getComputedStyle(e).transitionDuration === '0s')")


def test_the_theme_is_kept(browser, station):
    with opened(browser, station.address) as page:
        page.wait_for_selector(LIVE)
        assert page.locator("html").get_attribute("data-theme") == "day"
        page.get_by_role("button", name="Night colours").click()
        page.reload()
        assert page.locator("html").get_attribute("data-theme") == "night"
        page.goto(station.address + "history")
        assert page.locator("html").get_attribute("data-theme") == "night"


def test_a_screen_reader_is_told(browser, tmp_path):
    """A call and the loss of the page are assertive; the rest is polite."""
    with served(tmp_path, [4.0]) as own, opened(browser, own.address) as page:
        page.wait_for_selector(LIVE)
        assert page.get_by_role("article", name="Launch").count() == 1
        assert page.get_by_role("img", name=re.compile("Last ten minutes of Launch")).count() == 1
        own.wait_alert()
        said = page.locator("#say[role=alert][aria-live=assertive]")
        until(page, "document.getElementById('say').textContent.includes('Call heard on Launch: suspend')")
        assert "Advisory: confirm by ear" in said.inner_text()
        page.get_by_role("button", name="Acknowledge").click()
        until(page, "document.getElementById('tell').textContent.includes('Acknowledged by page')")


def test_a_page_that_is_opened_later_says_what_stands(browser, station):
    """What came before the page was there comes as no row: an open call and a blind radio are said all the same."""
    with opened(browser, station.address) as page:
        until(page, "document.getElementById('say').textContent.includes('suspend, not acknowledged')")


def test_everything_is_done_with_keys_alone(browser, tmp_path):
    with served(tmp_path, [3.0]) as own, opened(browser, own.address) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        alert_id = own.wait_alert()
        own.wait("the clip", lambda s: own.rows("evidence"))

        def tab_to(selector: str) -> None:
            for _ in range(60):
                page.keyboard.press("Tab")
                if page.evaluate("s => document.activeElement.matches(s)", selector):
                    return
            raise AssertionError(f"{selector} cannot be reached with Tab")

        tab_to("#who")
        page.keyboard.type("Ann")
        page.keyboard.press("a")  # in a field it is a letter
        assert page.input_value("#who") == "Anna"
        tab_to(".ack")
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none"
        time.sleep(0.6)
        page.keyboard.press("a")  # anywhere else it acknowledges
        own.wait("acknowledged", lambda s: own.rows("acknowledge"))
        page.wait_for_selector(".channel[data-state='LISTENING']")
        assert page.locator(".seen").inner_text().startswith("Acknowledged by Anna")
        tab_to(".steps input")
        page.keyboard.press("Space")
        own.wait("the step", lambda s: own.rows("step"))
        page.wait_for_selector(".steps li[data-next=true]:has-text('2 launch bar up')")
        page.keyboard.press("3")
        page.wait_for_selector(".steps li:nth-child(3) .stamp:has-text('before 2')")
        page.keyboard.press("3")  # a second press takes nothing back, and is no second time
        tab_to(".steps li:nth-child(2) .when")
        page.keyboard.press("Enter")
        page.keyboard.type("-2.5")
        page.keyboard.press("Enter")
        page.wait_for_selector(".steps li:nth-child(2) .stamp:has-text('before 1')")
        tab_to(".mark")
        page.keyboard.press("Enter")
        own.wait("the mark", lambda s: own.rows("mark"))
        tab_to(".note input")
        page.keyboard.type("wind from the left")
        page.keyboard.press("Enter")
        own.wait("the note", lambda s: own.rows("note"))
        tab_to("canvas")
        for _ in range(40):
            page.keyboard.press("ArrowLeft")
            if page.locator(".told").inner_text().startswith("▲ call heard: suspend ×3"):
                break
        assert "shown 0." in page.locator(".told").inner_text()
        with page.expect_request(lambda request: request.url.endswith(f"/clips/{alert_id}")):
            page.keyboard.press("Enter")
        page.wait_for_selector(".notes li")
        assert page.locator(".follow summary").inner_text().endswith("since the call, not resolved")
        page.keyboard.press("r")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector(".endings:has-text('Resolved: aircraft fast, Anna')")
        page.keyboard.press("1")  # the keys mean a call that goes on: there is none, and the page says what to do
        assert "a step done since: tick its box" in page.locator(".endings:visible").inner_text()
        assert [row.body["who"] for k in ("acknowledge", "step", "mark", "note", "resolve") for row in own.rows(k)] == ["Anna"] * 7
        assert [(row.body["step"], row.body["told"]) for row in own.rows("step")] == [
            (STEPS[0], False), (STEPS[2], False), (STEPS[1], True),
        ]  # fmt: skip
        assert own.rows("step")[2].body["since_call_s"] == -2.5
        assert re.search(r"\+\d+ s Anna", page.locator(".stamp").first.inner_text())
        assert "Anna: wind from the left" in page.locator(".notes").inner_text()
        assert page.locator(".mark[aria-pressed=true]").inner_text() == "true call"


def test_what_was_not_on_the_screen_for_half_a_second_is_not_acknowledged_by_a_key(browser, tmp_path):
    with served(tmp_path, [4.0]) as own, opened(browser, own.address) as page:
        page.wait_for_selector(LIVE)
        page.evaluate(
            """new MutationObserver((_, o) => { if (document.querySelector(".call[data-open=true]")) {
                 o.disconnect(); dispatchEvent(new KeyboardEvent("keydown", { key: "a", bubbles: true })); window.pressed = true; } })
               .observe(document.getElementById("channels"), { subtree: true, attributes: true, childList: true })"""
        )
        page.evaluate("document.body.focus()")
        own.wait_alert()
        until(page, "window.pressed")
        time.sleep(1.0)
        assert not own.rows("acknowledge") and page.locator(".call[data-open=true]").count() == 1


def test_the_strip_tells_what_is_pointed_at_and_plays_a_clip(browser, station):
    with opened(browser, station.address) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        station.wait("the clip", lambda s: station.rows("evidence"))
        alert = station.rows("alert")[0]
        page.set_viewport_size({"width": 1280, "height": 1400})  # on a small screen a call takes the strip's room
        canvas = page.locator(".channel").first.locator("canvas")
        told = page.locator(".channel").first.locator(".told")
        page.wait_for_timeout(1500)
        box = canvas.bounding_box()
        ago_s = station.station.clock.unix() - page.evaluate("iso => Date.parse(iso) / 1000", alert.utc)
        x = min(box["width"] * (1 - ago_s / 600), box["width"] - 6)
        canvas.hover(position={"x": x, "y": 30})
        assert told.inner_text().startswith("▲ call heard: suspend ×3")
        with page.expect_request(lambda request: request.url.endswith(f"/clips/{alert.id}")) as asked:
            canvas.click(position={"x": x, "y": 30})
        assert asked.value.response().status in (200, 206)  # 206: the browser asks for ranges
        canvas.hover(position={"x": 30, "y": 30})
        assert re.match(r"\d\d:\d\d:\d\d here · \d\d:\d\d:\d\d UTC · 9 min \d+ s ago", told.inner_text())


def test_the_strip_is_drawn_anew_at_once_when_its_size_changes(browser, station):
    with opened(browser, station.address) as page:
        page.set_viewport_size({"width": 1280, "height": 1400})
        until(page, "(document.querySelector('canvas')?.width ?? 0) > 300")
        before, shown, drawn = page.evaluate(
            """async () => {
                 const canvas = document.querySelector("canvas");
                 const frames = async (n) => { while (n--) await new Promise(requestAnimationFrame); };
                 const before = canvas.height;
                 canvas.style.flex = `0 0 ${canvas.clientHeight - 15}px`;
                 canvas.style.minHeight = 0;
                 await frames(3);
                 return [before, Math.round(canvas.clientHeight * devicePixelRatio), canvas.height];
               }"""
        )
        assert drawn == shown < before


def test_the_strip_shows_where_the_squelch_was_open(browser, tmp_path):
    """From five minutes ago to two minutes ago: a bar at the strip's foot, in ink, and nothing after it."""
    with served(tmp_path, []) as own, opened(browser, own.address) as page:
        page.wait_for_selector(LIVE)
        now_s = own.station.clock.unix()
        for ago_s, begins in ((300, True), (120, False)):
            body = {"by": "squelch", "begins": begins}
            own.station.logbook.append("transmission", body, own.station.channels[0].name, unix_s=now_s - ago_s)
        page.wait_for_timeout(1500)
        inked = page.evaluate(
            """() => {
                 const canvas = document.querySelector("canvas"), ctx = canvas.getContext("2d"), scale = devicePixelRatio;
                 const y = Math.round((canvas.clientHeight - 14 - 2) * scale);
                 const at = (ago) => [...ctx.getImageData(Math.round(canvas.width * (1 - ago / 600)), y, 1, 1).data].join();
                 return [at(420), at(210), at(60)];
               }"""
        )
        assert inked[0] == inked[2] != inked[1]


def test_history_is_searched_and_printed_on_white(browser, station):
    with opened(browser, station.address + "history", scheme="dark") as page:
        page.get_by_label("Kind").select_option("alert")
        page.get_by_role("button", name="Search").click()
        page.wait_for_url("**kind=alert**")
        assert page.locator("tbody tr[data-kind=alert]").count() == page.locator("tbody tr").count() == 1
        page.get_by_label("Words").fill("zebra")
        page.get_by_role("button", name="Search").click()
        page.wait_for_selector("text=No rows.")
        page.goto(station.address + "history")
        page.emulate_media(media="print")
        assert not page.locator(".top").is_visible() and not page.locator(".find").is_visible()
        assert page.evaluate("getComputedStyle(document.querySelector('tbody td')).color") == "rgb(0, 0, 0)"
        assert page.evaluate("getComputedStyle(document.querySelector('.wide')).backgroundColor") == "rgb(255, 255, 255)"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_two_channels_on_a_laptop_are_seen_without_scrolling(browser, station, scheme):
    with opened(browser, station.address, scheme=scheme) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        page.wait_for_timeout(500)
        assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        assert page.evaluate("(grid => grid.scrollHeight <= grid.clientHeight)(document.getElementById('channels'))")
        bottom = page.evaluate("document.querySelector('.foot').getBoundingClientRect().top")
        for what in (".state", ".now", ".call .phrase", ".call .when", ".call .confirm", ".ack", ".steps li:last-child", ".ending"):
            found = page.locator(what).all()
            assert found, what
            for box in (one.bounding_box() for one in found):
                assert not box or box["y"] + box["height"] <= bottom, what
        assert page.locator(".caution").bounding_box()["height"] <= 40, "the caution leaves the room to the states"


def test_a_call_that_has_not_ended_stays_on_a_laptop_beside_whether_the_channel_is_listening(browser, tmp_path):
    """Both channels called; one call acknowledged and not ended, one not acknowledged: all of both is on the screen."""
    with served(tmp_path, [3.0], channels=2, all_call=True) as own, opened(browser, own.address) as page:
        own.wait("both", lambda s: all(c.unacknowledged for c in s.snapshot().channels))
        first = own.wait_alert()
        own.do("acknowledge", alert_id=first, who="Ann")
        own.do("step", alert_id=first, who="Ann", step=STEPS[1], since_call_s=-2.0)
        block = page.locator(".channel[data-state='LISTENING']")
        block.locator(".call[data-ended=false] .stamp:has-text('−2 s Ann, before 1')").wait_for()
        assert block.locator(".state").inner_text().split() == ["●", "LISTENING"]
        assert re.match(r"\d+ s since the call, not resolved", block.locator(".follow summary").inner_text())
        page.wait_for_selector(".channel[data-state='CALL HEARD'] .ack")
        assert page.evaluate("(grid => grid.scrollHeight <= grid.clientHeight)(document.getElementById('channels'))")
        bottom = page.evaluate("document.querySelector('.foot').getBoundingClientRect().top")
        for what, count in ((".state", 2), (".call .phrase", 2), (".steps li", 6), (".ending", 4), (".ack:visible", 1)):
            boxes = [found.bounding_box() for found in page.locator(what).all()]
            assert len(boxes) == count and all(box["y"] + box["height"] <= bottom and box["x"] + box["width"] <= 1280 for box in boxes), what


def test_a_drill_without_alerts_shows_none_and_takes_the_call_that_a_person_hears(browser, tmp_path):
    """The machine's alert is kept; the page shows neither it nor its words, and plays the sound that the station hears."""
    with served(tmp_path, [3.0], length_s=40.0, channels=2, drill="hidden") as own, opened(browser, own.address) as page:
        page.wait_for_selector("#drill:has-text('DRILL WITHOUT ALERTS')")
        page.get_by_role("button", name="Hear its sound").click()
        own.wait("the alert, kept", lambda s: list(Records(own.folder).rows(Query(kinds=("alert",)))))
        page.wait_for_timeout(1500)
        told = page.locator("body").inner_text()
        assert "CALL HEARD" not in told and "suspend 1 s ago" not in told and "▲" not in told
        assert page.locator(".state").first.inner_text().split() == ["●", "LISTENING"]
        assert not own.rows("alert") and not own.rows("evidence")
        for path in ("/history", "/history.csv?kind=all", f"/clips/{next(Records(own.folder).rows(Query(kinds=('alert',)))).id}"):
            assert own.ask(path)[0] == 403
        page.fill("#who", "Ann")
        page.locator(".state").first.click()
        page.keyboard.press("a")
        page.wait_for_selector(".call[data-ended=false] .phrase:has-text('SUSPEND by ear')")
        page.wait_for_timeout(700)
        page.keyboard.press("1")
        page.wait_for_selector(".steps li:first-child .stamp:has-text('s Ann')")
        assert own.rows("by_ear")[0].body["who"] == "Ann" and own.rows("step")[0].about == own.rows("by_ear")[0].id
        assert own.do("acknowledge", alert_id=next(Records(own.folder).rows(Query(kinds=("alert",)))).id)[0] == 404
        heard_s, stream_s = page.evaluate("document.querySelector('#drill audio').currentTime"), own.station.snapshot().channels[0].stream_s
        assert 5.0 < heard_s and abs(heard_s - stream_s) < 0.5, "it sounds as the station hears it"


def test_on_a_phone_the_states_come_first(browser, station):
    with opened(browser, station.address, size=SIZES["phone"]) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        states = [found.bounding_box() for found in page.locator(".state").all()]
        assert states[0]["y"] < 150
        assert all(box["y"] + box["height"] <= SIZES["phone"][1] for box in states), "both states are on the first screen"
        assert page.locator("header.top").bounding_box()["y"] > states[-1]["y"]


def test_a_confidence_is_told_in_the_same_words_here_and_on_the_terminal(browser, station):
    values = [k / 2_000 for k in range(2_001)] + [0.9951, 0.99949, 0.999999]
    with opened(browser, station.address) as page:
        told = page.evaluate("async values => { const { percent } = await import('/static/words.js'); return values.map(percent); }", values)
    assert told == [confidence_text(value) for value in values]
    assert "100%" not in told


def test_where_nobody_says_how_a_call_ends_its_steps_are_ticked_after_it_was_acknowledged(browser, tmp_path):
    with served(tmp_path, [3.0], resolved_as=[]) as own, opened(browser, own.address) as page:
        page.wait_for_selector(".channel[data-state='CALL HEARD']")
        time.sleep(0.6)  # what has not been seen takes no key
        page.locator(".ack").click()
        page.wait_for_selector(".channel[data-state='LISTENING'] .steps li[data-next=true]:has-text('1 tension released')")
        page.keyboard.press("1")
        page.wait_for_selector(".steps li[data-next=true]:has-text('2 launch bar up')")
        assert "since the call" in page.locator(".follow summary").inner_text()
        page.keyboard.press("r")
        assert not page.locator(".ending").count() and len(own.rows("step")) == 1


def test_the_watch_is_taken_and_a_radio_worked_on_with_keys_alone(browser, tmp_path):
    """The form leaves the states in view; both are told on every page, and the call stays as it is."""
    with served(tmp_path, [3.0], channels=2) as own, opened(browser, own.address) as page:
        own.wait_alert()
        page.wait_for_selector(".channel[data-state='CALL HEARD'] .now:has-text('listening now')")
        page.keyboard.press("w")
        page.wait_for_selector(".points li:has-text('call not acknowledged: Launch, suspend')")
        assert page.locator(".channel[data-state='CALL HEARD'] .state").bounding_box()["y"] < 500
        page.keyboard.type("Ann")
        page.keyboard.press("Enter")
        page.wait_for_selector("#on-duty:has-text('Watch: Ann since')")
        page.wait_for_selector("#desk", state="hidden")
        page.keyboard.press("m")
        page.locator("#desk select").select_option("Line 2")
        page.locator("#desk input[type=number]").fill("20")
        page.locator("#desk").get_by_label("What is done (optional)").fill("antenna")
        page.keyboard.press("Enter")
        block = page.locator(".channel", has_text="Line 2")
        block.get_by_text("being worked on by Ann until").wait_for()
        with opened(browser, own.address) as other:
            other.wait_for_selector("#on-duty:has-text('Watch: Ann since')")
            other.get_by_text("being worked on by Ann until").wait_for()
        block.get_by_role("button", name="End work").click()
        block.get_by_text("work by Ann ended by Ann").wait_for()
        assert len(own.station.snapshot().channels[0].unacknowledged) == 1
        own.wait("all written", lambda s: len(own.rows("maintenance")) == 2 and own.rows("hand_over"))
        assert own.rows("maintenance")[0].body["text"] == "antenna"


def test_blindness_is_known_by_key_and_worked_on_looks_otherwise(browser, tmp_path):
    silent = save(tmp_path / "silent.wav", 0 * noise(60.0, 16_000), 16_000)
    with served(tmp_path, [], files=[silent]) as own, opened(browser, own.address) as page:
        page.wait_for_selector(".channel[data-state=BLIND] .why li:has-text('only one fixed value')")
        red = page.evaluate("getComputedStyle(document.querySelector('.channel')).backgroundColor")
        page.wait_for_timeout(700)
        page.keyboard.press("b")
        page.get_by_text("BLIND: seen by page").wait_for()
        own.station.desk.begin_work("Launch", "Bo", 30)
        page.wait_for_selector(".channel[data-work=true]")
        assert page.locator(".state").inner_text().split() == ["✖", "BLIND"]
        assert "only one fixed value" in page.locator(".why").inner_text()
        assert page.evaluate("getComputedStyle(document.querySelector('.channel')).backgroundColor") != red
        ink, ground = page.evaluate("(css => [css.color, css.backgroundColor])(getComputedStyle(document.querySelector('.channel')))")
        assert contrast(ink, ground) >= 4.5


def test_every_kind_of_row_stands_in_the_columns_of_the_table(browser, tmp_path):
    with served(tmp_path, [3.0]) as own:
        alert_id = own.wait_alert()
        own.do("note", alert_id=alert_id, who="Ann", text="wind from the left")
        own.do("mark", alert_id=alert_id, who="Ann", mark="drill")
        own.do("step", alert_id=alert_id, who="Ann", step=STEPS[0])
        own.do("acknowledge", alert_id=alert_id, who="Ann")
        own.wait("all written", lambda s: own.rows("step") and own.rows("acknowledge"))
        with opened(browser, own.address + "history?kind=all") as page:
            kinds = page.evaluate("[...document.querySelectorAll('tbody tr')].map(row => row.dataset.kind)")
            assert {"alert", "note", "mark", "step", "acknowledge", "state", "start", "settings"} <= set(kinds)
            crooked = page.evaluate(
                """() => {
                    const heads = [...document.querySelectorAll("thead th")].map(h => h.getBoundingClientRect());
                    const plain = getComputedStyle(document.querySelector("tbody tr[data-kind=start] td")).fontSize;
                    return [...document.querySelectorAll("tbody tr")].filter(row => [...row.cells].some((cell, i) => {
                        const box = cell.getBoundingClientRect();
                        return Math.abs(box.left - heads[i].left) > 1 || getComputedStyle(cell).fontSize !== plain;
                    })).map(row => row.dataset.kind);
                }"""
            )
            assert not crooked
            assert page.evaluate("(box => box.scrollWidth <= box.clientWidth)(document.querySelector('.wide'))"), "cut off"


def test_settings_are_shown_and_cannot_be_edited(browser, station):
    with opened(browser, station.address + "settings") as page:
        assert "sensitivity: balanced" in page.locator("pre").inner_text()
        assert page.locator("input, textarea, select, form").count() == 0


def test_the_cover_comes_even_when_the_pages_script_stands_still(browser, need, station):
    """On a real (virtual) screen, since a screenshot through the browser would wait for the script."""
    need(shutil.which("Xvfb") is not None, "Xvfb (apt install xvfb)")
    grab = need_python("PIL.ImageGrab", "pip install pillow")
    display = f":{os.getpid() % 1000 + 100}"
    screen = subprocess.Popen(["Xvfb", display, "-screen", "0", "1280x800x24"], stderr=subprocess.DEVNULL)
    try:
        time.sleep(1.0)
        seen = browser.browser_type.launch(
            executable_path=CHROMIUM, headless=False, args=["--no-sandbox"], env={**os.environ, "DISPLAY": display}
        )
        page = seen.new_page()
        page.goto(station.address)
        page.wait_for_selector(LIVE)
        time.sleep(1.0)
        calm = grab.grab(xdisplay=display).getpixel((700, 700))
        page.evaluate("setTimeout(() => { const end = performance.now() + 7000; while (performance.now() < end); }, 0)")
        time.sleep(3.5)
        covered = grab.grab(xdisplay=display).convert("RGB")
        pixels = [covered.getpixel((x, y)) for x in range(100, 1200, 50) for y in range(200, 750, 50)]
        seen.close()
    finally:
        screen.kill()
        screen.wait()
    purple = [p for p in pixels if p[1] < 60 and p[0] > p[1] and p[2] > p[1] and p[2] < 150]
    assert calm not in purple
    assert len(purple) > 0.7 * len(pixels)
