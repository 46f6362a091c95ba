"""The report and the comparison in headless Chromium, opened from disk with the network off."""

import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from echotrial.compare import compare, side_of
from echotrial.report import changes, facts, page, single
from echotrial.trial import Trial

from tests.report_trials import corpus_at, trial_of
from tests.told_detectors import NASTY

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="no chromium or chromedriver here"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # of selenium's sockets
]

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--window-size=1280,900",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    profile = tempfile.mkdtemp(prefix="profile-")
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    driver.execute_cdp_cmd("Network.enable", {})
    offline = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    driver.execute_cdp_cmd("Network.emulateNetworkConditions", offline)
    try:
        yield driver
    finally:
        driver.quit()
        shutil.rmtree(profile, ignore_errors=True)


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    folder = tmp_path_factory.mktemp("browser")
    return trial_of(folder / "trial", [corpus_at(folder / "made", 720, prove=480)])


@pytest.fixture(scope="module")
def report(trial: Trial) -> Path:
    return page.write(trial)


def opened(browser: Any, path: Path, width: int = 1280) -> Any:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.get_log("browser")
    browser.get(path.as_uri())
    until(lambda: browser.execute_script("return window.echotrialReport?.ready"))
    return browser


def until(true: Any, seconds: float = 20) -> None:
    begun = time.monotonic()
    while not true():
        assert time.monotonic() - begun < seconds, "waited in vain"
        time.sleep(0.05)


def choose(browser: Any, stratum: str, value: str) -> None:
    browser.execute_script(
        "const s = document.querySelector(`select[data-stratum='${arguments[0]}']`);"
        "s.value = [...s.options].find((o) => o.text === arguments[1]).value;"
        "s.dispatchEvent(new Event('change'));",
        stratum, value,
    )  # fmt: skip


def rates(browser: Any, detector: int = 0) -> dict[str, str]:
    return browser.execute_script(
        "const rows = document.querySelectorAll('[data-role=rates] tbody tr');"
        "const row = [...rows].find((r) => Number(r.dataset.detector) === arguments[0]);"
        "return Object.fromEntries([...row.querySelectorAll('[data-measure]')]"
        ".map((c) => [c.dataset.measure, c.textContent]));",
        detector,
    )


def click_point(browser: Any, role: str, point: str) -> None:
    """As plotly does on a click: the event with the point."""
    browser.execute_script(f"const n = {role}; n.emit('plotly_click', {{points: [{point}]}});")


def listed(browser: Any) -> list[int]:
    """Records in the list, all of them."""
    more = "document.querySelector('[data-role=records] > button')"
    while browser.execute_script(f"return !{more}.hidden"):
        browser.execute_script(f"{more}.click()")
    rows = "[...document.querySelectorAll('[data-role=records] tbody tr[data-record]')]"
    return browser.execute_script(f"return {rows}.map((r) => Number(r.dataset.record))")


def errors(browser: Any) -> list[str]:
    return [e["message"] for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]


def draw_all(browser: Any) -> None:
    browser.execute_script("echotrialReport.sections.forEach((s) => s.drawAll())")


def inside(trial: Trial) -> Any:
    return trial.records.query("split == 'prove' and thickness_mm >= 0.5 and thickness_mm <= 3")


@pytest.mark.parametrize("width", [1280, 390])
def test_loads_from_disk_without_errors_and_without_overflow(browser, report, width) -> None:
    opened(browser, report, width)
    draw_all(browser)
    assert errors(browser) == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    drawn = browser.execute_script("return document.querySelectorAll('.js-plotly-plot').length")
    assert drawn >= 1 + 2 + 1 + 2 + 1
    assert browser.execute_script("return performance.getEntriesByType('resource').length") == 0


def test_unfiltered_figures_are_those_of_scores_csv(browser, report, trial) -> None:
    opened(browser, report)
    for i, name in enumerate(["told", NASTY, "broken", "mute"]):
        cells = rates(browser, i)
        for measure in ("hit", "dropout", "off", "false lock", "thick false lock"):
            row = trial.scores.query(
                "stratum == 'whole' and detector == @name and measure == @measure and unit == '1'"
            ).iloc[0]
            value = 100 * row["value"]
            digits = 2 if row["value"] < 0.0995 else 1
            assert cells[measure].startswith(f"{value:.{digits}f}"), (name, measure)
        bias = trial.scores.query(
            "stratum == 'whole' and detector == @name and measure == 'bias' and unit == 'um'"
        )["value"].iloc[0]
        assert cells["bias"] == ("–" if np.isnan(bias) else f"{bias:+.2f}")


@pytest.mark.parametrize(
    "stratum", ["wall_wavelengths", "echo_snr_db", "couplant_gap_um", "operator"]
)
def test_each_filter_changes_the_numbers_as_the_data_frame_says(
    browser, report, trial, stratum
) -> None:
    opened(browser, report)
    before = rates(browser)
    rows = trial.scores.query("stratum == @stratum and detector == 'told' and measure == 'hit'")
    assert len(rows) > 1
    changed = 0
    for row in rows.to_dict("records"):
        choose(browser, stratum, row["bin"])
        cells = rates(browser)
        digits = 2 if row["value"] < 0.0995 else 1
        text = f"{100 * row['value']:.{digits}f}"
        assert cells["hit"].startswith(text)
        changed += cells["hit"] != before["hit"]
        total = browser.execute_script("return sum([...echotrialReport.sections[0].mask])")
        assert total == row["denominator"]
    assert changed
    choose(browser, stratum, "all")
    assert rates(browser) == before


def test_two_filters_act_together_on_tables_and_pictures(browser, report, trial) -> None:
    opened(browser, report)
    choose(browser, "wall_wavelengths", "2 to 3")
    choose(browser, "operator", "A & B")
    rows = inside(trial).query("2 <= wall_wavelengths < 3 and operator == 'A & B'")
    own = trial.readings.query("detector == 'told'")
    hits = own[own["record"].isin(rows["record"]) & (own["outcome"] == "hit")]
    assert len(hits) > 3
    assert rates(browser)["hit"].startswith(f"{100 * len(hits) / len(rows):.1f}")
    draw_all(browser)
    bars = browser.execute_script(
        "const n = document.querySelector('[data-role=shares]'), found = {};"
        "for (const t of n.data.filter((t) => t.type === 'bar'))"
        " for (const c of t.customdata) if (c[4] === 0) (found[t.name] ??= []).push(c[0]);"
        "return found"
    )
    assert sum(bars["hit"]) == len(hits)
    assert sum(map(sum, bars.values())) == len(rows)
    cells = browser.execute_script(
        "return document.querySelector('[data-role=map-gap]').data[0].customdata.flat()"
    )
    assert sum(c[1] for c in cells) == len(rows)


def test_a_click_on_a_bar_lists_exactly_its_records(browser, report, trial) -> None:
    opened(browser, report)
    draw_all(browser)
    node = "document.querySelector('[data-role=shares]')"
    click_point(
        browser, node,
        "(() => { const t = n.data.find((t) => t.name === 'echo skip');"
        " const k = t.customdata.findIndex((c) => c[0] > 1 && c[4] === 0);"
        " return {customdata: t.customdata[k]}; })()",
    )  # fmt: skip
    words = browser.execute_script(
        "return document.querySelector('[data-role=choice]').textContent"
    )
    low, high = (float(x) for x in words.split("wavelengths ")[1].split(":")[0].split(" to "))
    rows = inside(trial)
    rows = rows[rows["wall_wavelengths"].between(low, high, inclusive="left")]
    own = trial.readings.query("detector == 'told' and outcome == 'echo skip'")
    expected = set(own["record"]) & set(rows["record"])
    found = listed(browser)
    assert len(found) == len(set(found)) > 1
    assert set(found) == expected


def test_panels_stand_as_the_width_allows_and_a_click_names_its_own_detector(
    browser, report, trial
) -> None:
    opened(browser, report)
    draw_all(browser)
    node = "document.querySelector('[data-role=shares]')"
    rows = f"return Object.keys({node}.layout).filter((k) => k.startsWith('yaxis')).length"
    assert browser.execute_script(rows) == 1
    phone = {"width": 390, "height": 900, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    browser.execute_script(f"{node}.scrollIntoView()")
    until(lambda: browser.execute_script(rows) == 4)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
    click_point(
        browser, node,
        "{customdata: n.data.filter((t) => t.type === 'bar' && t.yaxis === 'y2')"
        ".flatMap((t) => t.customdata).find((c) => c[0] > 1)}",
    )  # fmt: skip
    words = browser.execute_script(
        "return document.querySelector('[data-role=choice]').textContent"
    )
    assert NASTY in words
    found = listed(browser)
    outcome = trial.readings.query("detector == @NASTY and record in @found")["outcome"]
    assert len(outcome) == len(found) > 1
    assert outcome.nunique() == 1


def test_a_click_on_a_cell_lists_exactly_the_records_of_the_stratum(browser, report, trial) -> None:
    opened(browser, report)
    draw_all(browser)
    node = "document.querySelector('[data-role=map-snr]')"
    at = browser.execute_script(
        f"const d = {node}.data[0]; const c = d.customdata.flat().find((c) => c[0] > 1);"
        "return [c, d.x[c[2]], d.y[c[3]]];"
    )
    click_point(browser, node, f"{{customdata: {at[0]}}}")
    rows = inside(trial)
    for column, label in zip(("wall_wavelengths", "echo_snr_db"), at[1:], strict=True):
        low, high = map(float, label.split(" to "))
        rows = rows[rows[column].between(low, high, inclusive="left")]
    found = listed(browser)
    assert set(found) == set(rows["record"])
    assert len(found) == at[0][1] > 0


def test_numbers_in_tables_open_the_same_lists_from_the_keyboard(browser, report, trial) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    opened(browser, report)
    own = trial.readings.query("detector == 'told' and split == 'prove' and outcome == 'phantom'")
    head = browser.find_elements(By.CSS_SELECTOR, "[data-role=counts] thead th")
    column = [h.text.strip() for h in head].index("phantom")
    row = browser.find_elements(By.CSS_SELECTOR, "[data-role=counts] tbody tr")[0]
    button = row.find_elements(By.CSS_SELECTOR, "th, td")[column].find_element(
        By.TAG_NAME, "button"
    )
    button.send_keys(Keys.ENTER)
    assert set(listed(browser)) == set(own["record"])
    focused = browser.execute_script("return document.activeElement.dataset.role")
    assert focused == "records"


def test_the_picture_of_a_record_has_its_marks_at_the_right_microseconds(
    browser, report, trial
) -> None:
    opened(browser, report)
    numbers = browser.execute_script(
        "return Object.keys(echotrialReport.sections[0].corpus.embedded).slice(0, 6)"
    )
    truth = trial.records.set_index("record")
    for number in map(int, numbers):
        browser.execute_script(
            "const s = echotrialReport.sections[0]; const n = s.part('records');"
            "n.replaceChildren(document.createElement('div'));"
            "openRecord(n.firstChild, s.corpus, s.corpus.row.get(arguments[0]));",
            number,
        )
        drawn = browser.execute_script(
            "const n = document.querySelector('[data-role=ascan]');"
            "const place = (t) => n._fullLayout.xaxis.l2p(t) + n._fullLayout.xaxis._offset;"
            "const echo = n.data.find((t) => t.name === 'interface echo');"
            "const told = n.data.find((t) => t.name === 'told');"
            "const points = [...n.querySelectorAll('.scatterlayer .trace .points path')];"
            "const wave = n.data.find((t) => t.name === 'A-scan');"
            "const title = document.querySelector('[data-role=records] h4').textContent;"
            "return {interface: echo.x[0], marks: told?.x, samples: wave.y.length,"
            " title, drawn: points.length}"
        )
        row = trial.readings.query("record == @number and detector == 'told'").iloc[0]
        assert drawn["samples"] == 256
        assert drawn["interface"] == pytest.approx(truth.loc[number, "interface_us"])
        assert f"record {number}" in drawn["title"]
        if np.isfinite(row["first_echo_us"]):
            expected = [row["first_echo_us"], row["second_echo_us"]]
            assert drawn["marks"] == pytest.approx(expected, abs=1e-5)
            assert drawn["drawn"] >= 2
    assert errors(browser) == []


def test_names_are_shown_letter_by_letter(browser, report) -> None:
    opened(browser, report)
    draw_all(browser)
    shown = browser.execute_script(
        "return [...document.querySelectorAll('[data-role=rates] tbody th')]"
        ".map((c) => c.textContent)"
    )
    assert NASTY in shown
    title = browser.execute_script(
        "return [...document.querySelectorAll('[data-role=shares] .textpoint text')]"
        ".map((t) => t.textContent)[1]"
    )
    assert len(title) > 20
    assert NASTY.startswith(title.removesuffix("…"))
    options = browser.execute_script(
        "return [...document.querySelector('select[data-stratum=operator]').options]"
        ".map((o) => o.text)"
    )
    assert "Zoë <script>alert(1)</script>" in options
    assert browser.execute_script("return document.querySelectorAll('main b').length") == 0


def test_wilson_in_the_page_is_that_of_statsmodels(browser, report) -> None:
    """statsmodels, `proportion_confint`, as the reference."""
    from statsmodels.stats.proportion import proportion_confint

    opened(browser, report)
    for k, n in ((0, 10), (3, 41), (41, 41), (250, 1000)):
        found = browser.execute_script("return wilson(arguments[0], arguments[1])", k, n)
        assert found == pytest.approx(proportion_confint(k, n, method="wilson"), abs=1e-9)


def test_reliability_and_risk_in_the_page_are_those_of_the_scores(browser, report, trial) -> None:
    opened(browser, report)
    document = trial.verdicts["corpora"][0]
    bins, risk = browser.execute_script(
        "const s = echotrialReport.sections[0];"
        "return [reliabilityOf(s.corpus, s.mask, 0), riskOf(s.corpus, s.mask, 0)]"
    )
    expected = document["reliability"]["told"]
    assert len(bins) == len(expected) > 1
    for mine, theirs in zip(bins, expected, strict=True):
        assert mine["n"] == theirs["readings"]
        assert mine["observed"] == pytest.approx(theirs["observed"])
        assert mine["stated"] == pytest.approx(theirs["stated"], abs=1e-6)
    curve = dict(zip(np.round(risk["coverage"], 9), risk["risk"], strict=True))
    for point in document["risk"]["told"]:
        assert curve[np.round(point["coverage"], 9)] == pytest.approx(point["risk"])


def test_dark_and_light_have_their_own_colours(browser, report) -> None:
    opened(browser, report)
    draw_all(browser)
    for value in ("dark", "light"):  # the page is told of the change with its next frame
        media = {"features": [{"name": "prefers-color-scheme", "value": value}]}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
        expected = stated_colours(value)
        until(lambda expected=expected: drawn_colours(browser) == expected)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def stated_colours(scheme: str) -> list[str]:
    """Colours of the page and of the letters in pictures, from the text of the style sheet."""
    sheet = (Path(page.__file__).parent / "assets" / "report.css").read_text(encoding="utf-8")
    block = re.findall(r":root {(.*?)}", sheet, re.DOTALL)[scheme == "dark"]
    found = dict(re.findall(r"--(\w+): (#\w+);", block))
    return [found["paper"], found["ink"]]


def drawn_colours(browser: Any) -> list[str]:
    draw_all(browser)
    rgb, ink = browser.execute_script(
        "return [getComputedStyle(document.body).backgroundColor,"
        " document.querySelector('[data-role=shares]').layout.font.color]"
    )
    return ["#" + "".join(f"{int(part):02x}" for part in re.findall(r"\d+", rgb)), ink]


def test_print_draws_every_picture(browser, report) -> None:
    opened(browser, report)
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    assert browser.execute_script("return echotrialReport.sections[0].waiting.size") == 0
    assert browser.execute_script("return getComputedStyle(document.body).backgroundColor") == (
        "rgb(255, 255, 255)"
    )
    browser.execute_script("dispatchEvent(new Event('afterprint'))")


@pytest.mark.parametrize(
    ("n", "prove", "dry_every", "gone"),
    [(1, 1, 0, False), (12, 12, 1, False), (40, 0, 8, False), (40, 40, 8, True)],
    ids=["one record", "all without a wall", "no prove records", "waveforms gone"],
)
def test_odd_trials_open_without_errors(browser, tmp_path, n, prove, dry_every, gone) -> None:
    made = trial_of(
        tmp_path / "trial", [corpus_at(tmp_path / "made", n, prove=prove, dry_every=dry_every)]
    )
    if gone:
        shutil.rmtree(tmp_path / "made")
    opened(browser, page.write(made))
    draw_all(browser)
    if prove:
        browser.execute_script("document.querySelector('[data-role=counts] button').click()")
        assert listed(browser)
        browser.execute_script("document.querySelector('[data-role=records] tbody button').click()")
        drawn = browser.execute_script(
            "return document.querySelector('[data-role=ascan]').data.map((t) => t.name)"
        )
        assert ("A-scan" in drawn) == (not gone)
    assert errors(browser) == []


def test_the_page_of_one_record(browser, trial, tmp_path) -> None:
    single.write(facts.open_record(trial, 4), tmp_path / "record.html")
    opened(browser, tmp_path / "record.html")
    names = browser.execute_script(
        "return document.querySelector('[data-role=ascan]').data.map((t) => t.name)"
    )
    assert "A-scan" in names
    assert "told" in browser.execute_script("return document.querySelector('main').textContent")
    assert errors(browser) == []


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_of_a_comparison(browser, trial, tmp_path, width) -> None:
    found = compare(side_of(trial), side_of(trial), renamed={"told": NASTY})
    changes.write(found, trial, trial, tmp_path / "changes.html")
    opened(browser, tmp_path / "changes.html", width)
    draw_all(browser)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    part = next(v for v in found.verdicts if " > " in v.detector)
    rows = found.records[found.records["detector"] == part.detector]
    flips = rows[rows["was"] != rows["now"]]
    cells = browser.execute_script(
        "const shown = echotrialReport.sections.filter((s) => s.data.rows.record.length);"
        "const counts = (s) => s.part('flips').data[0].z.flat().filter(Boolean);"
        "return Object.fromEntries(shown.map((s) => [s.data.detector, counts(s)]))"
    )
    assert sum(cells[part.detector]) == len(flips) > 10
    browser.execute_script("document.querySelector('[data-role=flips-table] button').click()")
    was, now = browser.execute_script(
        "const r = document.querySelector('[data-role=flips-table] tbody tr');"
        "return [...r.children].slice(0, 2).map((c) => c.textContent)"
    )
    chosen = flips[(flips["was"] == was) & (flips["now"] == now)]
    assert set(listed(browser)) == set(chosen["record"])
    browser.execute_script("document.querySelector('[data-role=records] tbody button').click()")
    locks = browser.execute_script(
        "return document.querySelector('[data-role=ascan]').layout.yaxis2.categoryarray"
    )
    assert "told (A)" in locks
    assert len(locks) == 2
    assert errors(browser) == []


def test_5000_records_by_8_detectors_answer_a_filter_in_view_first(browser, tmp_path) -> None:
    """Numbers at once, then the pictures in view; the rest waits until there is time.

    Times are measured by ``python -m benchmarks.page``.
    """
    plugin = tmp_path / "eight.py"
    names = "".join(f"class T{k}(_Told):\n    name = 'told-{k}'\n" for k in range(8))
    plugin.write_text(f"from tests.told_detectors import _Told\n{names}")
    made = trial_of(
        tmp_path / "trial", [corpus_at(tmp_path / "made", 6000, prove=5000)], plugin=plugin
    )
    path = page.write(made)
    assert path.stat().st_size < 8e6
    opened(browser, path)
    browser.execute_script("window.requestIdleCallback = () => 0")
    draw_all(browser)
    before = rates(browser)
    choose(browser, "echo_snr_db", "20 to 30")
    assert rates(browser) != before
    until(lambda: browser.execute_script("return !echotrialReport.sections[0].inView().length"))
    waiting = browser.execute_script("return echotrialReport.sections[0].waiting.size")
    assert waiting > 4
    draw_all(browser)
    assert errors(browser) == []


def test_everything_can_be_reached_with_the_tab_key(browser, report) -> None:
    """Every control that is not hidden takes the focus in turn, and each shows that it has it."""
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    opened(browser, report)
    wanted = browser.execute_script(
        "return [...document.querySelectorAll('a[href], button, select, summary, .scroll')]"
        ".filter((n) => n.checkVisibility()).map((n, i) => { n.dataset.stop = i; return i; })"
    )
    reached, outlined = set(), 0
    for _ in range(len(wanted) + 20):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        stop, style = browser.execute_script(
            "const n = document.activeElement;"
            "return [n.dataset.stop ?? null, getComputedStyle(n).outlineStyle]"
        )
        if stop is not None:
            reached.add(int(stop))
            outlined += style != "none"
    assert reached == set(wanted)
    assert outlined >= len(wanted)
    assert browser.find_elements(By.CSS_SELECTOR, ".skip")


def test_a_printed_page_is_as_wide_as_its_paper(browser, report) -> None:
    opened(browser, report)
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    widest = browser.execute_script(
        "return Math.max(...[...document.querySelectorAll('.js-plotly-plot .main-svg, table')]"
        ".filter((n) => n.checkVisibility()).map((n) => n.getBoundingClientRect().width))"
    )
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
    assert 300 < widest <= 7.4 * 96  # A4 less margins of 0.4 inch; Letter is wider


def test_cells_of_a_map_are_wide_enough_for_their_words_on_a_phone(browser, report) -> None:
    opened(browser, report, 390)
    draw_all(browser)
    spilled = browser.execute_script(
        "const n = document.querySelector('[data-role=map-snr]');"
        "const boxes = [...n.querySelectorAll('.heatmap-label, .hm text')]"
        ".map((t) => t.getBoundingClientRect());"
        "const cell = n._fullLayout.xaxis._length / n.data[0].x.length;"
        "return [boxes.length, boxes.filter((b) => b.width > cell).length]"
    )
    assert spilled[0] > 3
    assert spilled[1] == 0
