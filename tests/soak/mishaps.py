"""What goes wrong in a soak while a unit is tested: prepared when it is scanned, and done at its moment."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

from tests.soak.plan import CODES, Mishap, Visit
from tests.soak.plant import Killed

if TYPE_CHECKING:
    from tests.soak.life import Life

BEHIND = 3600.0  # s by which the clock of the computer is wrong, so that nothing may be tested
A_LITTLE = (-200.0, -20.0, 20.0, 200.0)  # s by which it may be wrong


def prepare(life: Life, visit: Visit, mishap: Mishap) -> None:
    """A unit with a mishap was scanned: have it happen."""
    kind = mishap.kind
    if kind in ("printer before", "printer after"):
        life.plant.tray.fails = kind.split(" ")[1]
    elif kind == "full at begin":
        life.disk.full_at_begin = True
        life.log._set_aside = 0  # what was set aside before is gone too
    elif kind == "clock back":
        life.clock.wrong = -BEHIND
    elif kind == "clock a little":
        life.clock.wrong = life.random.choice(A_LITTLE)
    elif kind == "torn":
        life.disk.tear_in = mishap.number
    else:
        life.clock.start("mishap", lambda: _at_its_moment(life, visit, mishap))


def _at_its_moment(life: Life, visit: Visit, mishap: Mishap) -> None:
    """A kill may come at any time; all else only while the unit is in the bay."""
    life.clock.sleep(mishap.after)
    if mishap.kind == "kill":
        kill_in(life, mishap.number)
    elif life.visit is not visit:
        return
    elif mishap.kind == "full":
        life.disk.full = True
    elif mishap.kind == "codes":
        for line in CODES:
            if line != b"=end":  # which a person may well type just after the test
                life.scan(line)
    else:
        _at_the_bench(life, mishap)


def _at_the_bench(life: Life, mishap: Mishap) -> None:
    world = life.plant.world
    world.advance_to(life.clock.monotonic())
    world.obey({"guard": {"open": "both"}, "stop": {"stop": True}, "mains": {"power_fails": True},
                "fault": {"fault": {"name": mishap.name, "instrument": mishap.instrument}},
                "bay": {"fault": {"name": mishap.name}}}[mishap.kind])


def kill_in(life: Life, instants: int) -> None:
    """Kill the process after so many more instants of its clock."""
    left = count(instants, -1)

    def gone(_: int) -> None:
        if next(left) <= 1:
            life.die()
            raise Killed
    life.clock.probe = gone
