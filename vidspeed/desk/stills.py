"""The still on which a camera's markers are picked: a frame that was dropped, or made of a clip."""

from __future__ import annotations

from pathlib import Path

from vidspeed.clip.still import png_bytes, read_picture, still
from vidspeed.desk.sources import change, read_source, replace_file
from vidspeed.desk.toml import entries, read
from vidspeed.errors import SessionError, VidspeedError, WorkerError
from vidspeed.record.names import legal_name
from vidspeed.session.unnamed import SUFFIXES
from vidspeed.spread.executor import clip_words, executor
from vidspeed.values import Picture


def take_still(folder: Path, number: int, dropped: Path) -> str:
    """Make the reference of a camera from a PNG or a clip, and name it in session.toml.

    The file that was dropped is removed. Returns what to say. Raises VidspeedError where it is no
    picture, or one of another size than the camera states; the camera is then as it was.
    """
    try:
        is_clip = dropped.suffix.lower() in SUFFIXES
        picture = still_of_clip(dropped) if is_clip else read_picture(dropped)
    finally:
        dropped.unlink(missing_ok=True)
    cameras = entries(read(read_source(folder).text), "camera")
    if not 0 <= number < len(cameras):
        raise SessionError("session.toml: the camera is no longer there; load the page again")
    camera = cameras[number]
    size = [picture.shape[1], picture.shape[0]]
    stated = camera.get("image_size_px")
    if stated is not None and stated != size:
        raise SessionError(
            f"the picture is {size[0]} x {size[1]}, the camera states image_size_px {stated}; "
            "a frame of its video is needed, or another size in the camera's form"
        )
    name = f"still-{legal_name(str(camera.get('name', number + 1)))}.png"
    replace_file(folder / name, png_bytes(picture), name)
    change(folder, "camera", number, {"reference": name, "image_size_px": size})
    return f"{name} is the still of this camera"


def still_of_clip(path: Path) -> Picture:
    """Make a still of a clip in a process of its own: a decoder may die.

    Raises VidspeedError where the clip cannot be read.
    """
    with executor(1, ready=1, imports=still.__module__, apart=True) as pool:
        try:
            picture: Picture = pool.submit(still, path, at_s=None).result()
        except WorkerError as error:
            raise VidspeedError(clip_words(error)) from None
    return picture
