"""report.html: its figures are those of the scores, it names no address, it survives odd trials."""

import base64
import json
import math
import re
import shutil
import zlib
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from echotrial.outcome import Outcome
from echotrial.report import page
from echotrial.report.compact import KINDS, NO_BIN, compact, parts_of
from echotrial.report.palette import LOOKS
from echotrial.report.worst import worst
from echotrial.trial import Trial

from tests.corpus_fixtures import train, write_corpus
from tests.report_trials import corpus_at, trial_of
from tests.told_detectors import NASTY


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    folder = tmp_path_factory.mktemp("report")
    return trial_of(folder / "trial", [corpus_at(folder / "made", 360, prove=240)])


@pytest.fixture(scope="module")
def text(trial: Trial) -> str:
    return page.html(trial)


class Cells(HTMLParser):
    """Texts of the table of detectors, by row and measure; intervals apart."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[tuple[int, str], str] = {}
        self._row, self._measure, self._depth = -1, "", 0

    def handle_starttag(self, tag, attrs):
        known = dict(attrs)
        if tag == "tr" and "data-detector" in known:
            self._row = int(known["data-detector"])
        if tag == "td":
            self._measure = known.get("data-measure", "")
        if tag == "span":
            self._measure += " interval"

    def handle_endtag(self, tag):
        if tag == "td":
            self._measure = ""
        if tag == "tr":
            self._row = -1

    def handle_data(self, data):
        if self._row >= 0 and self._measure:
            key = (self._row, self._measure)
            self.found[key] = self.found.get(key, "") + data.strip()


def payload(text: str) -> dict:
    packed = re.search(r'id="payload">([^<]+)<', text).group(1)
    return json.loads(zlib.decompress(base64.b64decode(packed)))


def without_data(text: str) -> str:
    """The page less its packed data and the plotting library."""
    text = re.sub(r'id="payload">[^<]+<', "><", text)
    start = text.index("plotly.js v")
    return text[:start] + text[text.index("</script>", start) :]


def array(packed: str, dtype: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(packed), dtype)


def test_the_table_of_detectors_says_what_scores_csv_says(trial: Trial, text: str) -> None:
    cells = Cells()
    cells.feed(text)
    whole = trial.scores[(trial.scores["stratum"] == "whole") & (trial.scores["unit"] == "1")]
    checked = 0
    for i, name in enumerate(next(parts_of(trial)).panel.detectors):
        for measure in ("hit", "dropout", "off", "false lock", "thick false lock"):
            row = whole[(whole["detector"] == name) & (whole["measure"] == measure)].iloc[0]
            shown = float(cells.found[i, measure])
            assert math.isclose(shown, 100 * row["value"], abs_tol=0.051)
            low, high = cells.found[i, f"{measure} interval"].split("–")
            assert math.isclose(float(low), 100 * row["low"], abs_tol=0.051)
            assert math.isclose(float(high), 100 * row["high"], abs_tol=0.051)
            checked += shown > 0
    assert checked > 5


def test_columns_in_the_page_count_to_scores_csv_in_every_stratum(trial: Trial) -> None:
    part = next(parts_of(trial))
    data = compact(part)
    outcome = array(data["outcome"], "u1").reshape(-1, data["n"])
    names = [str(o) for o in Outcome]
    hits = trial.scores[trial.scores["measure"] == "hit"]
    hits = hits.set_index(["stratum", "bin", "detector"]).sort_index()
    counted = 0
    for stratum in data["strata"]:
        codes = array(stratum["codes"], "u1")
        for b, label in enumerate(stratum["bins"]):
            for i, detector in enumerate(data["detectors"]):
                key = (stratum["name"], label, detector)
                row = hits.loc[key]
                inside = (codes == b) & (outcome[i] != names.index("undecided"))
                assert row["denominator"] == inside.sum()
                assert row["numerator"] == (inside & (outcome[i] == names.index("hit"))).sum()
                counted += 1
    assert counted > 40
    assert {"wall_wavelengths", "echo_snr_db", "couplant_gap_um", "operator"} <= {
        s["name"] for s in data["strata"]
    }


def test_columns_hold_every_reading_of_prove(trial: Trial) -> None:
    data = compact(next(parts_of(trial)))
    prove = trial.readings[trial.readings["split"] == "prove"]
    deviation = array(data["deviation"], "<f4").reshape(-1, data["n"])
    for i, name in enumerate(data["detectors"]):
        own = prove[prove["detector"] == name].sort_values("record")
        expected = own["error_um"].fillna(own["thickness_mm"] * 1e3)
        np.testing.assert_allclose(deviation[i], expected, rtol=1e-6)
    kinds = array(data["kind"], "u1")
    truth = trial.records[trial.records["split"] == "prove"]
    assert (kinds == KINDS.index("wet tip")).sum() == (truth["kind"] == "wet tip").sum()
    assert (kinds == KINDS.index("thinner")).sum() == (truth["thickness_mm"] < 0.5).sum() > 0
    for stratum in data["strata"]:
        assert (array(stratum["codes"], "u1")[kinds > 0] == NO_BIN).all()


def test_confidence_travels_as_the_map_of_the_scores_makes_it(trial: Trial) -> None:
    part = next(parts_of(trial))
    made = trial.verdicts["corpora"][0]["confidence_maps"]["told"]
    rows = trial.readings.query("detector == 'told' and split == 'prove'").sort_values("record")
    expected = np.interp(rows["confidence"], made["raw"], made["p_hit"])
    given = np.isfinite(part.p_hit[0])
    assert given.sum() == rows["thickness_mm"].notna().sum()
    np.testing.assert_allclose(part.p_hit[0][given], expected[given])


def test_no_address_outside_the_file(text: str) -> None:
    rest = without_data(text).replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"(https?:)?//[a-z]+\.[a-z]", rest)
    assert "default-src 'none'" in rest
    assert not re.search(r"<(link|img|iframe|script)[^>]+(src|href)=", rest)
    assert text.count("plotly.js v") == 1
    assert "http" not in json.dumps(payload(text)["corpora"])


def test_names_are_texts(text: str) -> None:
    rest = without_data(text)
    assert "<script>alert" not in rest
    assert "&lt;script&gt;alert(&#34;ü&#34;)&lt;/script&gt;" in rest
    assert "broken on purpose &lt;i&gt;here" in rest or "<i>here" not in rest


def test_the_page_carries_the_worst_of_each_outcome_of_each_detector(trial: Trial) -> None:
    part = next(parts_of(trial))
    chosen = worst(part)
    assert len(chosen) == len(set(chosen)) <= page_limit()
    prove = trial.readings[trial.readings["split"] == "prove"]
    for (_, outcome), own in prove.groupby(["detector", "outcome"], observed=True):
        size = own["error_um"].abs()
        if size.notna().any():
            assert own.loc[size.idxmax(), "record"] in chosen, outcome
        else:
            assert set(own["record"]) & set(chosen)


def page_limit() -> int:
    from echotrial.report.worst import EMBEDDED

    return EMBEDDED


def test_few_a_scans_are_shared_out_over_all_kinds(trial: Trial) -> None:
    part = next(parts_of(trial))
    prove = trial.readings[trial.readings["split"] == "prove"]
    found = set(prove.loc[prove["record"].isin(worst(part, 12)), "outcome"])
    assert {"tail lock", "echo skip", "cycle skip", "stray", "phantom", "off"} <= found


def test_a_carried_record_has_its_marks_at_the_right_microseconds(trial: Trial, text: str) -> None:
    carried = payload(text)["corpora"][0]["embedded"]
    rows = trial.readings.set_index(["record", "detector"])
    truth = trial.records.set_index("record")
    checked = 0
    for number, record in carried.items():
        traces = {t["name"]: t for t in record["picture"]["data"]}
        assert traces["A-scan"]["x0"] == pytest.approx(2.0)
        assert traces["A-scan"]["dx"] == pytest.approx(0.01)
        assert traces["interface echo"]["x"][0] == pytest.approx(
            truth.loc[int(number), "interface_us"]
        )
        echoes = truth.loc[int(number), "back_wall_us"]
        if len(echoes):
            assert traces["back-wall echoes"]["x"][::3] == pytest.approx(list(echoes), abs=1e-5)
        row = rows.loc[(int(number), "told")]
        if np.isfinite(row["first_echo_us"]):
            marks = [row["first_echo_us"], row["second_echo_us"]]
            assert traces["told"]["x"] == pytest.approx(marks, abs=1e-5)
            assert traces["told"]["marker"]["color"] == LOOKS[Outcome(row["outcome"])].colour
            checked += 1
    assert checked > 20


def test_carried_samples_are_those_of_the_corpus(trial: Trial, text: str) -> None:
    stored = np.load(Path(trial.info["corpora"][0]["folder"]) / "waveforms.npy")
    for number, record in payload(text)["corpora"][0]["embedded"].items():
        heights = array(record["samples"], "<i2") * record["scale"]
        peak = np.abs(stored[int(number)]).max()
        np.testing.assert_allclose(heights, stored[int(number)], atol=peak / 3900)


# -- trials that are odd --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "prove", "dry_every"),
    [(1, 1, 0), (12, 12, 1), (40, 0, 8)],
    ids=["one record", "every record without a wall", "no prove records"],
)
def test_odd_trials_make_a_page(tmp_path: Path, n: int, prove: int, dry_every: int) -> None:
    made = trial_of(
        tmp_path / "trial", [corpus_at(tmp_path / "made", n, prove=prove, dry_every=dry_every)]
    )
    path = page.write(made)
    data = payload(path.read_text(encoding="utf-8"))["corpora"][0]
    assert data["n"] == prove
    assert ("No readings" in path.read_text(encoding="utf-8")) == (prove == 0)


def test_a_detector_that_crashed_throughout_is_shown(trial: Trial, text: str) -> None:
    data = payload(text)["corpora"][0]
    codes = array(data["outcome"], "u1").reshape(-1, data["n"])[data["detectors"].index("broken")]
    assert (codes == [str(o) for o in Outcome].index("crashed")).all()
    assert "broken on purpose" in json.dumps(data["embedded"])


def test_waveforms_that_are_gone_are_said_to_be_missing(tmp_path: Path) -> None:
    made = trial_of(tmp_path / "trial", [corpus_at(tmp_path / "made", 40)], ["told"])
    shutil.rmtree(tmp_path / "made")
    text = page.html(made)
    assert "waveforms are missing" in without_data(text)
    data = payload(text)["corpora"][0]
    assert data["embedded"]
    assert not any("samples" in r for r in data["embedded"].values())


def test_another_corpus_in_its_place_is_no_stand_in(tmp_path: Path) -> None:
    made = trial_of(tmp_path / "trial", [corpus_at(tmp_path / "made", 40)], ["told"])
    shutil.rmtree(tmp_path / "made")
    corpus_at(tmp_path / "made", 41)
    assert "another corpus" in without_data(page.html(made))


def test_a_bare_truth_makes_a_page(tmp_path: Path) -> None:
    """A recording whose truth says the thickness and nothing else."""
    walls = np.linspace(0.6, 2.0, 30)
    corpus = write_corpus(
        tmp_path / "made", np.stack([train(w) for w in walls]), {"thickness_mm": walls}
    )
    made = trial_of(tmp_path / "trial", [corpus], ["mute"])
    names = [s["name"] for s in payload(page.html(made))["corpora"][0]["strata"]]
    assert names[0] == "wall_wavelengths"


# -- looks ----------------------------------------------------------------------------------------


def test_every_outcome_has_a_look_of_its_own() -> None:
    assert set(LOOKS) == set(Outcome)
    assert len({look.colour for look in LOOKS.values()}) == len(LOOKS)
    assert len({look.symbol for look in LOOKS.values()}) == len(LOOKS)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def test_words_stand_out_from_their_ground() -> None:
    """4.5 : 1, WCAG 2.1 success criterion 1.4.3 (AA), light, dark and on paper."""
    css = page._asset("report.css")
    themes = [
        dict(re.findall(r"--(\w+): (#\w+)", t)) for t in re.findall(r"{[^{}]*--paper:[^{}]*}", css)
    ]
    assert len(themes) == 3
    for colours in themes:
        for words in ("ink", "soft", "accent", "good", "bad"):
            for ground in ("paper", "panel"):
                light, dark = sorted(
                    map(luminance, (colours[words], colours[ground])), reverse=True
                )
                assert (light + 0.05) / (dark + 0.05) >= 4.5, (words, ground, colours)


def test_lines_and_frames_stand_out_from_their_ground() -> None:
    """3 : 1, WCAG 2.1 success criterion 1.4.11 (AA): true echoes, the frame of what has focus."""
    css = page._asset("report.css")
    for theme in re.findall(r"{[^{}]*--paper:[^{}]*}", css):
        colours = dict(re.findall(r"--(\w+): (#\w+)", theme))
        for line in ("interface", "echo", "accent", "soft"):
            light, dark = sorted(map(luminance, (colours[line], colours["paper"])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 3, (line, colours)


def test_a_page_is_written_whole_or_not_at_all(trial: Trial, tmp_path: Path) -> None:
    path = page.write(trial, tmp_path / "there.html")
    assert [p.name for p in tmp_path.iterdir()] == ["there.html"]
    assert path.stat().st_size < 8e6


def test_verdict_and_cautions_stand_in_the_page(trial: Trial, text: str) -> None:
    rest = without_data(text)
    assert trial.verdict("made").split(":")[0] in rest
    assert "qualifies no procedure" in rest
    assert NASTY not in rest
    assert isinstance(trial.scores, pd.DataFrame)


def test_the_page_made_while_a_trial_goes_on_is_that_of_its_folder(tmp_path: Path) -> None:
    report = page.Report("t")
    some = corpus_at(tmp_path / "some", 60, prove=40)
    walls = np.linspace(0.6, 2.0, 24)
    others = write_corpus(
        tmp_path / "others",
        np.stack([train(w) for w in walls]),
        {"thickness_mm": walls},
        name="others",
    )
    made = trial_of(tmp_path / "t", [some, others], scored=report.hear)
    assert report.html(made) == page.html(made)


def test_a_large_trial_is_not_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(import_module("echotrial.trial.conduct"), "AT_HAND", 30)
    heard: list[str] = []
    corpus = corpus_at(tmp_path / "made", 40, prove=20)
    trial_of(tmp_path / "t", [corpus], scored=lambda trial, _: heard.append(str(trial)))
    assert heard == []
    small = corpus_at(tmp_path / "small", 30, prove=20)
    trial_of(tmp_path / "s", [small], scored=lambda trial, _: heard.append(str(trial)))
    assert len(heard) == 1
