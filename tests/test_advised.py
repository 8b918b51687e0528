"""Each session is asked for anew, and as ever where somebody is told what is decided."""

import logging
from dataclasses import replace

from tests.advised import once
from tests.motion.flown import evening
from vidspeed.values import Clip


def test_sessions_that_differ_in_more_than_their_place_are_asked_for_apart(caplog):
    session, asked = evening(3, 1).session, []

    def advise(session, stands):
        asked.append(session)
        return (len(asked),)

    advice = once(advise)
    assert advice(session, ["north"]) == (1,)
    assert advice(replace(session, folder="elsewhere"), ["north"]) == (1,)
    line = replace(session.flight_line, offset_u_m=0.05)
    assert advice(replace(session, flight_line=line), ["north"]) == (2,)
    clip = Clip(file="n.mp4", camera="n")
    assert advice(replace(session, clips=(clip,)), ["north"]) == (3,)
    assert advice(session, ["north", "south"]) == (4,)
    assert advice(session, ["north"]) == (1,)
    with caplog.at_level(logging.INFO, "vidspeed"):
        assert advice(session, ["north"]) == (5,)
