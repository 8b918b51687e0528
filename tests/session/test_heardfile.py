"""What was heard goes into a file and comes back; what is no such file is refused."""

import json

import numpy as np
import pytest

from tests.session.made_heard import a_heard
from vidspeed.session.check import Refused
from vidspeed.session.heardfile import heard_bytes, read_heard


def test_what_was_heard_comes_back_to_the_bit():
    heard = a_heard()
    (found,) = read_heard(heard_bytes([("1", heard)]))
    assert found.flyby.speed_mps == heard.flyby.speed_mps
    assert np.array_equal(found.covariance, heard.covariance)
    assert np.array_equal(found.told.information, heard.told.information)
    assert np.array_equal(found.told.slope, heard.told.slope)
    assert found.told.dof == heard.told.dof
    assert found.heard_s == heard.heard_s


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda row: row.pop("flyby"), "flyby is not a table"),
        (lambda row: row["flyby"].update(speed_mps="fast"), "speed_mps"),
        (lambda row: row.update(covariance=[[1.0]]), "covariance"),
        (lambda row: row["told"].update(at=[1.0, 2.0]), "at does not hold"),
        (lambda row: row["told"].update(at=[None] * 5), "at does not hold"),
        (lambda row: row["told"].update(dof=0.0), "dof is 0"),
        (lambda row: row["told"]["information"][0].__setitem__(0, -1.0), "no covariance"),
        (lambda row: row.update(heard_s=[10**400, 1]), "heard_s"),
    ],
)
def test_what_is_no_such_file_is_refused(spoil, word):
    whole = json.loads(heard_bytes([("1", a_heard())]))
    spoil(whole["passes"][0])
    with pytest.raises(Refused, match=word):
        read_heard(json.dumps(whole).encode())


@pytest.mark.parametrize("data", [b"", b"\xff", b"[]", b"{}", b'{"schema": "vidspeed.heard/1"}'])
def test_other_files_are_refused(data):
    with pytest.raises(Refused):
        read_heard(data)
