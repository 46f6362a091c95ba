"""What follows from set-up and settings alone: mode, period, spacings, signs, where to look."""

from dataclasses import dataclass
from typing import Literal

from echotrial.detector import ModeSetting, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup

Polarity = Literal["auto", "positive", "negative"]
#: From this |reflection| on, a second multiple keeps half of the first: enough for mode 3.
MULTIPLES_FROM = 0.5
#: Spacings are looked for a little outside the wall range, so that a wall out there is recognised
#: as such instead of being mistaken for one inside.
OUTSIDE_RANGE = 1.3
#: In direct contact a wall of at least this impedance, in Pa s/m, has something softer on its near
#: side as on its far one: a film of couplant (some 2e6, from memory). Metals, glass and ceramics.
HARD_WALL = 10e6


class EchoSettings(Settings):
    """Settings that every echo-picking detector has."""

    mode: ModeSetting = setting(
        "setup",
        "mode of ISO 16809; 'setup' takes the set-up's, or else 3 where multiples are expected, "
        "2 where they die out, 1 without an interface echo",
        candidates=("setup", 2, 3),
    )
    polarity: Polarity = setting(
        "auto",
        "sign of the first back-wall echo relative to the reference echo; 'auto' = positive where "
        "the set-up has a reference echo, else the sign of the stronger echoes",
        candidates=("auto",),
    )
    gate_start_s: float | None = setting(
        None,
        "where marks may begin after the interface echo (without one: on the clock), in seconds; "
        "None = derived from the tail and the thinnest wall",
        ge=0.0,
        le=1e-3,
        candidates=(None,),
    )
    multiples: int = setting(
        8,
        "how many back-wall echoes a line is drawn through at most; 2 = adjacent pair",
        ge=2,
        le=16,
        candidates=(2, 8),
    )
    level_sigma: float = setting(
        4.0,
        "an echo stands this many sigma above the noise",
        ge=3.0,
        le=20.0,
        candidates=(4.0, 5.0),
    )
    level_relative: float = setting(
        0.15,
        "... and above this share of the strongest echo (in mode 3: of those behind the tail)",
        ge=0.01, le=0.9, candidates=(0.1, 0.15, 0.3),
    )  # fmt: skip
    evenness: float = setting(
        0.4,
        "least share of the echo energy in the gate that one equally spaced series must explain",
        ge=0.0,
        le=1.0,
        candidates=(0.3, 0.4, 0.6),
    )


@dataclass(frozen=True)
class Plan:
    """Set-up and settings, worked out once.

    Attributes
    ----------
    sign
        Sign of the first back-wall echo, 0 where either may be.
    alternation
        Sign of an echo over that of the one before: + on metals, - where the delay line has the
        larger impedance; 0 where it is not known. In direct contact + on a hard wall.
    interface_sign
        Sign of the interface echo, 0 where it is not known.
    """

    setup: Setup
    mode: int
    period_s: float
    spacing_min_s: float
    spacing_max_s: float
    sign: int
    alternation: int
    interface_sign: int

    @property
    def interface_s(self) -> float | None:
        """Nominal time of the interface echo on the records' clock."""
        return self.setup.interface_echo

    @property
    def after_s(self) -> float:
        """Where marks may begin unless told otherwise: after the thinnest wall's round trip.

        With an interface echo a little earlier, so that a wall thinner than the range is seen for
        what it is; on the bare clock not, because the excitation is there.
        """
        if self.interface_s is None:
            return float(self.setup.interval_s(self.setup.wall_range[0]))
        return self.spacing_min_s

    @property
    def origin_s(self) -> float:
        """From where back-wall echoes count when no interface echo is measured."""
        return self.setup.zero_offset if self.interface_s is None else self.interface_s


def plan(setup: Setup, settings: EchoSettings) -> Plan:
    """Work out what a detector needs of the set-up.

    Raises
    ------
    NotApplicable
        Mode 2 without an interface echo to start from.
    """
    mode = resolved_mode(setup, settings.mode)
    if mode == 2 and setup.interface_echo is None:
        raise NotApplicable("mode 2 starts from the interface echo, and the set-up names none")
    low, high = setup.interval_s(setup.wall_range)
    sign = resolved_sign(setup, settings.polarity)
    return Plan(
        setup=setup,
        mode=mode,
        period_s=1 / setup.centre_frequency,
        spacing_min_s=float(low) / OUTSIDE_RANGE,
        spacing_max_s=float(high) * OUTSIDE_RANGE,
        sign=sign,
        alternation=resolved_alternation(setup),
        interface_sign=setup.interface_polarity * (sign or 1) if sign else 0,
    )


def resolved_alternation(setup: Setup) -> int:
    """Sign of an echo over that of the one before; 0 = not known."""
    direct = setup.delay_line is None and setup.interface_echo is None
    hard = setup.wall is not None and (setup.wall.impedance or 0.0) >= HARD_WALL
    return 1 if direct and hard else -setup.interface_polarity


def resolved_mode(setup: Setup, asked: ModeSetting) -> int:
    """The mode to work in: as asked, as the set-up says, or as the impedances suggest."""
    if asked != "setup":
        return asked
    if setup.mode is not None:
        return setup.mode
    if setup.interface_echo is None:
        return 1
    reflection = setup.interface_reflection
    return 3 if reflection is not None and abs(reflection) >= MULTIPLES_FROM else 2


def resolved_sign(setup: Setup, polarity: Polarity) -> int:
    """Sign of the first back-wall echo relative to the reference echo; 0 = whichever is found."""
    if polarity == "auto":
        return 1 if setup.reference_echo is not None else 0
    return 1 if polarity == "positive" else -1
