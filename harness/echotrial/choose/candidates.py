"""Which values of a detector's settings are worth trying on a set-up."""

from collections.abc import Mapping
from typing import Any, Final

from echotrial.detector import candidates_of, choices_of
from echotrial.host import LoadedDetector

#: Settings in the order in which they are searched; those of a detector's own come after.
FIRST: Final = ("mode", "gate_start_s", "polarity")
#: Settings of which every value is tried, whatever the detector thinks worth it; but mode 1 only
#: where a detector names it.
EVERY: Final = ("mode", "polarity")


def candidates(
    detector: LoadedDetector, gates_s: tuple[float, ...], mode: int | None = None
) -> dict[str, list[Any]]:
    """Setting -> the values to try, most influential setting first.

    Parameters
    ----------
    gates_s
        Gate starts after the interface echo that the set-up suggests (the end of the tail), for
        detectors that have such a setting.
    mode
        That of the set-up; where the user names one no other is tried.
    """
    fields = detector.settings_model.model_fields
    order = [n for n in FIRST if n in fields] + [n for n in fields if n not in FIRST]
    found: dict[str, list[Any]] = {}
    if mode is not None and "mode" in order:
        order.remove("mode")
    for name in order:
        values = candidates_of(fields[name])
        if name == "gate_start_s":
            values = [*values, *gates_s]
        if name in EVERY:
            values = [v for v in choices_of(fields[name].annotation) if v != 1] or values
        if len(values) > 1:
            found[name] = values
    return found


def plain(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Settings as TOML can hold them: an unset one is left out."""
    return {name: value for name, value in settings.items() if value is not None}
