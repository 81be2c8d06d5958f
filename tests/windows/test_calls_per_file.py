"""How often the system is asked for a file of a night: what each call costs there is counted, not timed."""

from __future__ import annotations

import json
import shutil
from collections import Counter

from tests.support.nights import Computer, noise, prepared
from tests.windows.rig import Rig


def _calls(rig: Rig, frames: int) -> Counter[str]:
    """Return how often each call is made by a `send` of so many frames."""
    root = rig.root("d") / "imaging"
    shutil.rmtree(root, ignore_errors=True)
    computer = Computer(root)
    for number in range(frames):
        computer.frame(f"M 51/light {number}.fits", data=noise(300, number))
    with rig.volume("e", "ntfs") as stick:
        prepared(stick.path)
        ran = rig.let_go(rig.at_a_call("calls", 0, "send", "--drive", "E:\\", "--config", computer.file))
    assert ran.exit == 0, ran.err
    return Counter(json.loads(ran.err.rpartition("CALLS ")[2]))


def test_a_file_is_opened_four_times_and_its_volume_never_looked_at(rig):
    fewer, more, files = _calls(rig, 4), _calls(rig, 14), 10
    each = {name: (more[name] - fewer[name]) / files for name in more if more[name] > fewer[name]}
    opens = ("open", "open_in", "os.open", "stat", "os.stat", "os.lstat")
    # Of a source for its header and to be carried; of its copy to be written and to be read back.
    assert sum(each.get(name, 0) for name in opens) == 4
    # GetFileInformationByHandle, by ourselves and by Python.
    assert each.get("facts", 0) + each.get("os.fstat", 0) == 0
    protections = {"reopen": 1, "flush": 1, "move": 1, "read": 1, "size_and_times": 3}
    assert {name: each.get(name) for name in protections} == protections
