"""Join a clip to itself: a long recording whose pictures take no longer to render than a short."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av


def join(piece: Path, whole: Path, count: int, long_s: Fraction) -> None:
    """Write `count` copies of a clip of `long_s` one after the other, no packet coded anew."""
    with av.open(str(whole), "w") as made:
        stream = None
        for turn in range(count):
            with av.open(str(piece)) as opened:
                source = opened.streams.video[0]
                if stream is None:
                    stream = made.add_stream_from_template(source)
                step = round(long_s / source.time_base)
                for packet in opened.demux(source):
                    if packet.dts is None:
                        continue
                    packet.dts += turn * step
                    packet.pts += turn * step
                    packet.stream = stream
                    made.mux(packet)
