"""The keys of `[mark]`: units, and what cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.session.good import SESSION, faults, write
from vidspeed.session.read import read_session

AIR = "\n[air]\ntemperature_c = 14.0\npressure_hpa = 1009.0\n"


def with_mark(tmp_path: Path, lines: str, air: str = "") -> Path:
    text = SESSION if not air or "[air]" in SESSION else SESSION + air
    return write(tmp_path / "session", text + "\n[mark]\n" + lines)


def test_every_rule_is_read(tmp_path: Path) -> None:
    folder = with_mark(
        tmp_path,
        'passes = ["1", "2"]\nsetup = "tail 3"\nflights = "same"\nwithin_min = 30.0\n'
        "height_m = [1.5, 20.0]\nmost_dive_m = 2.0\napproach_m = 50.0\nmost_wind_mps = 3.0\n"
        "density_kgm3 = 1.225\n",
        AIR,
    )
    rules = read_session(folder).mark
    assert rules.passes == ("1", "2")
    assert rules.setup == "tail 3"
    assert rules.flights == "same"
    assert rules.within_s == 1800.0
    assert rules.height_m == (1.5, 20.0)
    assert (rules.most_dive_m, rules.approach_m, rules.most_wind_mps) == (2.0, 50.0, 3.0)
    assert rules.density_kgm3 == 1.225


def test_by_default_there_is_no_limit(tmp_path: Path) -> None:
    rules = read_session(with_mark(tmp_path, "")).mark
    limits = (rules.passes, rules.setup, rules.within_s, rules.height_m, rules.most_dive_m,
              rules.approach_m, rules.most_wind_mps, rules.density_kgm3)  # fmt: skip
    assert limits == (None,) * 8
    assert rules.flights == "any"


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("height_m = [20.0, 1.5]", "the lower height must stand first"),
        ("height_m = 20.0", "a list of 2 numbers"),
        ("approach_m = 50.0", "approach_m is given without most_dive_m"),
        ("within_min = 0.0", "within_min is 0.0"),
        ('flights = "one"', '"any" or "same" or "different"'),
        ("passes = [1, 2]", 'write passes = "1"'),
        ("most_wind = 3.0", "nearest known is most_wind_mps"),
    ],
)
def test_what_cannot_be(tmp_path: Path, lines: str, said: str) -> None:
    (message,) = faults(with_mark(tmp_path, lines))
    assert said in message


def test_other_air_needs_the_air_of_the_day(tmp_path: Path) -> None:
    (message,) = faults(with_mark(tmp_path, "density_kgm3 = 1.225"))
    assert "without temperature_c and pressure_hpa of [air]" in message
