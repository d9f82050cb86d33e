"""The cards of a plan of outings: whose steps, whose word, hold points and the way out; as text, table and PDF."""

from __future__ import annotations

import re
import sys

import pytest

from powerfault.errors import ToolError
from powerfault.fitting.outing.reader import read_plan_text
from powerfault.fitting.outing.study import PlanStudy, study_plan
from powerfault.model.reader import read_topology_text
from powerfault.output.answers.outing_cards import CONTROL, REFUSED, Card, cards_csv, cards_markdown, cards_of
from powerfault.output.sections.outing_files import cards_pdf
from tests import plans


def studied(steps: plans.Steps, name: str = "tie") -> PlanStudy:
    topology = read_topology_text(plans.SYSTEM, "system.yaml")
    text = plans.plan(steps, plans.FULL).replace("name: tie\n", f"name: {name!r}\n")
    return study_plan(topology, read_plan_text(text, topology, "plan.yaml"), order=1, find_order=False)


def by_step(card: Card) -> dict[str, tuple[str, ...]]:
    return {row[3]: row for row in card.rows if row[3]}


def test_each_card_has_its_own_steps_and_the_control_room_every_hold_point() -> None:
    study = studied(plans.TWO)
    cards = cards_of(study)
    assert [c.holder for c in cards] == ["UMA", "ILO", CONTROL] * 2
    for n, outing in enumerate(study.plan.outings):
        steps = [s for j in outing.jobs for s in j.steps]
        uma, ilo, control = (by_step(c) for c in cards[3 * n : 3 * n + 3])
        assert set(uma) == {s.id for s in steps if "UMA" in s.who}
        assert set(ilo) == {s.id for s in steps if "ILO" in s.who}
        hands = {s.id for s in steps if s.do in ("mate", "earth", "unearth", "untag", "close")}
        assert set(control) == hands | {s.id for s in steps if "inside" in s.who}
        assert hands & set(uma) == {i for i, row in uma.items() if row[5] == "HOLD"}
        assert all(control[i][5] == "GO" for i in hands & (set(uma) | set(ilo)))


def test_a_card_names_whom_to_wait_for_and_whom_to_tell() -> None:
    uma, ilo, control = (by_step(c) for c in cards_of(studied(plans.ONE)))
    assert uma["dead-a"][6] == "tag-b (ILO); bleed (control room)"
    assert ilo["tag-b"][7] == "UMA"
    assert control["bleed"][7] == "UMA, ILO"
    assert uma["mate-a"][5:8] == ("HOLD", "cover-b (ILO)", "control room, ILO")
    assert control["mate-a"][6] == "cover-a (UMA); cover-b (ILO)"
    assert uma["mate-a"][8].startswith("CANNOT STOP: half mated: CA, KA")
    assert "Go on as far as mate-b" in uma["mate-a"][8]


def test_a_refused_plan_says_so_on_every_card_and_names_no_way_on() -> None:
    study = studied(plans.drop(plans.ONE, "tag-b", "free-b"))
    cards = cards_of(study)
    assert cards_markdown(study, cards).count(REFUSED) == len(cards)
    last = by_step(cards[0])["mate-a"][8]
    assert "follows the violation" in last
    assert "Go on" not in last


def test_hostile_names_stay_text_and_the_pdf_has_a_page_for_each_card() -> None:
    steps = plans.change(plans.ONE, "mate-a", label="#panic() = $x$ |")
    study = studied(steps, name="=1+1 #panic()")
    cards = cards_of(study)
    assert "\\|" in cards_markdown(study, cards)
    assert cards_csv(cards).splitlines()[0].startswith("outing,card,from,to")
    made = cards_pdf(study)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", made)) == len(cards)
    assert made == cards_pdf(study)


def test_without_the_extra_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(ToolError, match=r"powerfault\[pdf\]"):
        cards_pdf(studied(plans.ONE))
