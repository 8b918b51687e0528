"""With what a run was made: figures agree to the byte only where these are the same."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

from vidspeed import __version__

PACKAGES = ("av", "filterpy", "numpy", "opencv-python", "pyproj", "scipy")


def versions() -> dict[str, str]:
    """Return the versions of this tool, of Python and of what the figures come from."""
    found = {
        "vidspeed": __version__,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
    }
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "not known"
    return found
