"""``echotrial setup``: a file that reads back, feasibility against published formulas."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from echotrial import host
from echotrial.choose.feasibility import feasibility, pair, pulse_length_s
from echotrial.choose.job import Uncertain, read_job
from echotrial.cli import main
from echotrial.errors import WrongQuestion

TUBE = ["--wall", "titanium", "--thinnest", "0.2 mm", "--thickest", "0.9 mm",
        "--outside-diameter", "4 mm", "--frequency", "20 MHz", "--bandwidth", "12 MHz",
        "--delay-line", "polystyrene"]  # fmt: skip


def setup(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        main(["setup", *arguments])
    return int(str(stopped.value.code))


@pytest.fixture(scope="module")
def model():
    return host.load(allow=["corpora"]).forward_model


def job_of(tmp_path: Path, model, text: str):
    path = tmp_path / "setup.toml"
    path.write_text(text, encoding="utf-8")
    return read_job(path, model.materials())


def plate(wall="carbon steel", line="polystyrene", walls='["0.5 mm", "2 mm"]', more=""):
    return f"""
centre_frequency = "15 MHz"
bandwidth = "9 MHz"
wall_range = {walls}
{more}
[wall]
material = "{wall}"
[delay_line]
material = "{line}"
length = "10 mm"
"""


def test_new_writes_a_file_with_comments_that_reads_back(tmp_path, model, capsys):
    path = tmp_path / "tube.toml"
    assert setup("new", str(path), *TUBE) == 0
    text = path.read_text(encoding="utf-8")
    assert text.count("#") > 12
    assert "CRC" in text
    job = read_job(path, model.materials())
    assert job.setup.wall_range == (0.2e-3, 0.9e-3)
    assert job.setup.outside_diameter == 4e-3
    assert job.uncertain == Uncertain()
    assert Uncertain.read(tomllib.loads(text)["uncertain"], "again") == Uncertain()


def test_inches_stay_inches(tmp_path, capsys):
    path = tmp_path / "tube.toml"
    given = [w.replace("0.2 mm", "0.008 in").replace("0.9 mm", "0.035 in") for w in TUBE]
    assert setup("new", str(path), *given) == 0
    assert setup("show", str(path)) == 0
    assert "Walls of 0.008 in to 0.035 in" in capsys.readouterr().out


def test_questions_are_asked_for_what_is_not_given(tmp_path):
    from click.testing import CliRunner
    from echotrial.cli.setup import new

    path = tmp_path / "plate.toml"
    answers = "nickel-copper 400\n0.3 mm\n1 mm\n20 MHz\nfused silica\n"
    done = CliRunner().invoke(new, [str(path)], input=answers, standalone_mode=False)
    assert done.exception is None
    assert tomllib.loads(path.read_text(encoding="utf-8"))["velocity"] == "5350 m/s"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"titanium": "titanum"}, "did you mean 'titanium'"),
        ({"polystyrene": "polystyren"}, "did you mean 'polystyrene'"),
        ({"0.9 mm": "2.1 mm"}, "thicker than the radius"),
        ({"0.9 mm": "0.1 mm"}, "thinner wall first"),
        ({"0.9 mm": "0.9"}, "no unit"),
        ({"20 MHz": "20 us"}, "is a time, not a frequency"),
        ({"12 MHz": "50 MHz"}, "no such probe"),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_no_file(tmp_path, capsys, change, said):
    words = [change.get(w, w) for w in TUBE]
    assert setup("new", str(tmp_path / "tube.toml"), *words) == 2
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_there_stays(tmp_path, capsys):
    path = tmp_path / "tube.toml"
    path.write_text("mine", encoding="utf-8")
    assert setup("new", str(path), *TUBE) == 2
    assert path.read_text(encoding="utf-8") == "mine"


def test_one_side_only(tmp_path, model):
    more = 'outside_diameter = "10 mm"\nconcave_diameter = "10 mm"'
    with pytest.raises(WrongQuestion, match="keep one"):
        job_of(tmp_path, model, plate(more=more))


def test_unknown_key_of_what_is_uncertain(tmp_path, model):
    text = plate() + '[uncertain]\ntemprature = "4 K"\n'
    with pytest.raises(WrongQuestion, match="did you mean 'temperature'"):
        job_of(tmp_path, model, text)


def test_reflection_of_a_steel_wall_on_polystyrene():
    """r = 0.898836672987, T = 0.192092635293 for Z = 1050 x 2350 and 7850 x 5900 (Kinsler et al.,
    Fundamentals of Acoustics, 4th ed., chapter 6)."""
    found = pair("polystyrene", 1050 * 2350.0, 7850 * 5900.0)
    assert found.interface == pytest.approx(-0.898836672987, abs=1e-12)
    assert found.back_wall == pytest.approx(0.192092635293, abs=1e-12)


def test_pulse_length_of_section_on_thin_walls():
    """Round trip of 0.803 v / B equals the -20 dB length of a Gaussian pulse (closed form)."""
    from echotrial.setup import Setup

    steel = Setup(centre_frequency=15e6, bandwidth=9e6, velocity=5900.0, wall_range=(1e-4, 1e-3))
    wall = 0.803 * 5900 / 9e6
    assert pulse_length_s(steel) == pytest.approx(2 * wall / 5900, rel=2e-3)
    assert wall == pytest.approx(0.53e-3, rel=0.01)


def test_signs_and_strengths_of_two_walls_on_two_delay_lines(tmp_path, model):
    """Signs: - where Z_wall is the larger, else + (E494 and CRC values: steel 7850 x 5960,
    nylon 6-6 1110 x 2620, polystyrene 1050 x 2350, fused silica 2200 x 5968)."""
    z = {"carbon steel": 46.8e6, "nylon 6-6": 2.908e6, "polystyrene": 2.4675e6,
         "fused silica": 13.13e6}  # fmt: skip
    for wall in ("carbon steel", "nylon 6-6"):
        for line in ("polystyrene", "fused silica"):
            job = job_of(tmp_path, model, plate(wall, line))
            own = next(p for p in feasibility(model, job).pairs if p.name == line)
            ratio = (z[line] - z[wall]) / (z[line] + z[wall])
            assert own.interface == pytest.approx(ratio, abs=2e-3)
            assert job.setup.interface_polarity == np.sign(ratio)


def test_expected_echoes_of_steel_follow_the_echo_train(tmp_path, model):
    """e1 / e0 = -13.4 dB and e2 / e1 = 0.8988 without couplant (Brekhovskikh, Waves in Layered
    Media); a 5 um film of glycerin, near the delay line's impedance, changes little."""
    found = feasibility(model, job_of(tmp_path, model, plate()))
    e0, e1, e2 = found.walls[-1].amplitude[:3]
    assert e0 < 0 < e1
    assert 20 * np.log10(-e1 / e0) == pytest.approx(-13.4, abs=1.5)
    assert e2 / e1 == pytest.approx(0.8988, abs=0.08)


def test_multiples_alternate_where_the_delay_line_is_harder(tmp_path, model):
    job = job_of(tmp_path, model, plate("nylon 6-6", "fused silica", '["0.4 mm", "1.2 mm"]'))
    amplitude = feasibility(model, job).walls[0].amplitude
    assert list(np.sign(amplitude[:4])) == [1, 1, -1, 1]


def test_a_lossy_wall_on_a_near_matched_line_has_no_multiples(tmp_path, model):
    job = job_of(tmp_path, model, plate("nylon 6-6", "polystyrene", '["0.5 mm", "1.2 mm"]'))
    found = feasibility(model, job)
    assert not found.modes[2].plausible
    assert abs(found.pairs[0].interface) < abs(found.pairs[1].interface)


def test_hopeless_walls_are_called_so(tmp_path, model, capsys):
    path = tmp_path / "foil.toml"
    path.write_text(plate(walls='["0.03 mm", "0.1 mm"]'), encoding="utf-8")
    assert setup("show", str(path)) == 0
    shown = capsys.readouterr().out
    assert "Hopeless" in shown
    assert "half a period" in shown
    assert "qualifies no procedure" in re.sub(r"\s+", " ", shown)


def test_show_draws_the_expected_a_scan(tmp_path, model, capsys):
    path, picture = tmp_path / "plate.toml", tmp_path / "plate.svg"
    path.write_text(plate(), encoding="utf-8")
    assert setup("show", str(path), "--picture", str(picture)) == 0
    drawn = picture.read_text(encoding="utf-8")
    assert "interface" in drawn
    assert "polyline" in drawn
    shown = capsys.readouterr().out.splitlines()
    assert shown.pop().startswith(str(picture))
    assert max(map(len, shown)) <= 100


def test_show_imports_nothing_slow_that_it_does_not_use(tmp_path):
    """Half of its time went there; figures are in the commit, here only what must stay away."""
    path = tmp_path / "plate.toml"
    path.write_text(plate(), encoding="utf-8")
    script = (
        "import sys\nfrom echotrial.cli import main\n"
        "try:\n    main(['setup', 'show', sys.argv[1]])\nexcept SystemExit:\n    pass\n"
        "print('imported', *sorted(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
    )
    imported = set(done.stderr.rpartition("imported ")[2].split())
    assert "echotrial.choose.feasibility" in imported
    slow = {"pandas", "scipy.signal", "scipy.stats", "scipy.integrate", "matplotlib", "plotly",
            "statsmodels", "sklearn", "echotrial_detectors.threshold"}  # fmt: skip
    assert not slow & imported
