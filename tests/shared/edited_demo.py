"""The shipped demo's files with some passages changed: shared by tests."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from sequences.read_files import Setup, demo_file, parse_setup

#: Two temperatures, two channels, two codes: eight conditions with every kind of change but mode and load.
EIGHT_CONDITIONS = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 85]",
}

#: Half the time of a night goes into looks at the bench in soaks and in between, the way back to room temperature and a
#: recording that nobody replays. Without them no reading changes, and the soaks end on the same evidence.
SELDOM_LOOKED_AT = {"hold_min = 3": "hold_min = 3\npoll_s = 30", "[bench]\n": "[bench]\nwatch_every_s = 60\n"}
NOT_RECORDED = {"[sequence]\n": '[sequence]\nrecording = "none"\n'}
WITHOUT_COMPANY = {
    **SELDOM_LOOKED_AT,
    **NOT_RECORDED,
    "[bench]\n": "[dry_out]\nwanted = false\n\n[bench]\nwatch_every_s = 60\n",
}


def edited_demo(edits: Mapping[str, str], name: str = "quick.sequence.toml") -> Setup:
    """Demo setup with passages of its files replaced; each must stand in exactly one of the three."""
    texts = [demo_file(file).read_text("utf-8") for file in (name, "virga-2.part.toml", "nimbus.bench.toml")]
    for old, new in edits.items():
        holders = [at for at, text in enumerate(texts) if old in text]
        if len(holders) != 1:
            raise AssertionError(f"{old!r} stands in {len(holders)} files")
        texts[holders[0]] = texts[holders[0]].replace(old, new)
    sequence, part, bench = texts
    return _parsed(sequence, part, bench, demo_file(name).parent)


@cache  # a setup is frozen, and many tests edit the same passages in the same way
def _parsed(sequence: str, part: str, bench: str, folder: Path) -> Setup:
    return parse_setup(sequence, part, bench, {path.name: path.read_text("ascii") for path in folder.glob("*.s2p")})
