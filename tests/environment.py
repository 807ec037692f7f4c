"""An environment of the project's own, made at the first call: `.venv` beside the project, or $HALFPOWER_VENV.

Needs Python 3.11 with venv and nothing else. As a script it prints the environment's Python:
`python3 tests/environment.py test lint`.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
STAMP = "halfpower-installed.txt"


def python(*groups: str) -> Path:
    """The environment's Python, with the project and these dependency groups installed."""
    if sys.version_info < (3, 11):  # noqa: UP036 - whatever Python is at hand starts this file
        sys.exit(f"Halfpower needs Python 3.11 or newer; this is {sys.version.split()[0]}. Call a newer python3.")
    folder = Path(os.environ.get("HALFPOWER_VENV") or ROOT / ".venv")
    found = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    wanted = {_state(), *groups}
    stamp = folder / STAMP
    if not (stamp.is_file() and found.exists() and wanted <= set(stamp.read_text("utf-8").split())):
        if not (stamp.is_file() and found.exists()):
            _create(folder)
        _install(found, groups)
        installed = set(stamp.read_text("utf-8").split()) if stamp.is_file() else set()
        kept = installed if _state() in installed else set()
        stamp.write_text("\n".join(sorted(wanted | kept)), "utf-8")
    return found


def run(*command: str, groups: tuple[str, ...] = ()) -> int:
    """Run `python COMMAND...` in the environment, from the project's folder; returns its exit code."""
    try:
        return subprocess.run([str(python(*groups)), *command], cwd=ROOT, check=False).returncode
    except KeyboardInterrupt:
        return 130


def _state() -> str:
    """What the installed packages follow from."""
    texts = b"".join((ROOT / name).read_bytes() for name in ("pyproject.toml", "constraints.txt"))
    return hashlib.sha256(texts + str(ROOT).encode()).hexdigest()


def _create(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()) and not (folder / "pyvenv.cfg").is_file():
        sys.exit(f"{folder} is no Python environment; move it away, or name another folder in HALFPOWER_VENV.")
    _tell(f"Making an environment in {folder} (once; takes a minute) ...")
    try:
        venv.EnvBuilder(with_pip=True, clear=True, symlinks=os.name != "nt").create(folder)
    except (subprocess.CalledProcessError, OSError) as error:
        sys.exit(
            f"{folder}: no environment could be made ({error}). On Debian and Ubuntu, install the package python3-venv."
        )


def _install(interpreter: Path, groups: tuple[str, ...]) -> None:
    requirements = [each for group in groups for each in _group(group)]
    command = [str(interpreter), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    command += ["--constraint", str(ROOT / "constraints.txt"), "--editable", str(ROOT), *requirements]
    if subprocess.run(command, check=False, stdout=sys.stderr).returncode:
        sys.exit("Installing failed: see the lines above. Check the connection to the package index, then call again.")


def _group(name: str) -> list[str]:
    """A dependency group's requirements, with the groups that it includes."""
    import tomllib

    groups = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["dependency-groups"]
    found = []
    for each in groups[name]:
        found += [each] if isinstance(each, str) else _group(each["include-group"])
    return found


def _tell(text: str) -> None:
    sys.stderr.write(text + "\n")


if __name__ == "__main__":
    sys.stdout.write(f"{python(*sys.argv[1:])}\n")
