"""Was the same asked before and after? What two sides ask differently of what they have in common.

A proposal that sets such a field says so itself. Two files, or two saved results, may differ as well without a word:
a requirement that is newly met because less is required is no cure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from powerfault.model.elements import Topology, as_written
from powerfault.tolerance.verdicts import Verdict

ASKED_OF_CONSUMERS = ("severity", "must_tolerate", "rides_through")


def consumer_differences(before: Iterable[Verdict], after: Iterable[Verdict], said: Sequence[str] = ()) -> list[str]:
    """Return what is asked differently of the consumers that both sides have, defaults resolved, a sentence each.

    ``said`` are the changes of the question that proposals made, as sentences; a consumer named there is left out.
    """
    earlier = {verdict.id: verdict for verdict in before}
    return [
        _sentence(name, now.id, getattr(earlier[now.id], name), getattr(now, name))
        for now in after
        if now.id in earlier and not _is_said(now.id, said)
        for name in ASKED_OF_CONSUMERS
        if getattr(earlier[now.id], name) != getattr(now, name)
    ]


def mode_differences(before: Topology, after: Topology, said: Sequence[str] = ()) -> list[str]:
    """Return where a component of the same kind on both sides may fail in other modes, a sentence each."""
    return [
        _sentence("the modes", id_, earlier.applicable_modes, now.applicable_modes)
        for id_, now in after.components.items()
        if (earlier := before.components.get(id_)) is not None
        and earlier.possible_modes == now.possible_modes
        and earlier.applicable_modes != now.applicable_modes
        and not _is_said(id_, said)
    ]


def _is_said(id_: str, said: Sequence[str]) -> bool:
    return any(f" of {id_} from " in sentence for sentence in said)


def _sentence(what: str, id_: str, before: Any, after: Any) -> str:
    return f"{what} of {id_}: {as_written(before)} before, {as_written(after)} after"
