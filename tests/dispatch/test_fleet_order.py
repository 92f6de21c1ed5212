"""What is urgent about a van, and which vans a page shows in which order."""

from __future__ import annotations

from typing import Any

from agent.dispatch.fleet_order import look_of, ordered, reasons, trouble
from agent.dispatch.views import DiscrepancyView, PlaceView, VanLine
from agent.dispatch.views_found import NotReadView


def line(vehicle: str, **more: Any) -> VanLine:
    """A van about which there is nothing to say, unless `more` says it."""
    calm: dict[str, Any] = {
        "link": "online", "link_since_s": 0.0, "heard_s": 1000.0, "place": PlaceView("site", "Depot", 5.0, "depot"),
        "position": None, "aboard": 3, "near": 0, "certain": True, "not_read": (), "missing": 0, "discrepancies": (),
    }  # fmt: skip
    return VanLine(vehicle=vehicle, **(calm | more))


GAP = DiscrepancyView("gap", "3 records still to come", "", 50.0, "", 3)
CLASH = DiscrepancyView("clash", "two records bear one number", "", 50.0, "", 1)


def test_what_is_urgent() -> None:
    """Nothing read, not heard with items aboard, short after departure, a clash; each says why and since when."""
    deaf = reasons(line("a", not_read=(NotReadView("the reader is down", 7.0),)))
    assert [(each.text, each.urgent, each.since_s) for each in deaf] == [("not read: the reader is down", True, 7.0)]
    for more in ({"link": "quiet"}, {"link": "offline"}, {"short": 2}, {"discrepancies": (CLASH,)}):
        assert trouble(reasons(line("a", **more))) == 2, more
    empty = {"link": "quiet", "aboard": 0}
    for more in (empty, {"over": 1}, {"discrepancies": (GAP,)}, {"not_read": (NotReadView("antenna 2", whole=False),)}):
        assert trouble(reasons(line("a", **more))) == 1, more
    assert trouble(reasons(line("a", certain=False))) == 0
    both = reasons(line("a", discrepancies=(GAP,), short=1))
    assert [each.urgent for each in both] == [True, False]


def test_order() -> None:
    """What is urgent first, and vans by their name where nothing else decides."""
    vans = [
        line("c", aboard=9),
        line("b", short=1, heard_s=5.0),
        line("a", over=1),
        line("d", place=PlaceView("way", "Alder")),
    ]
    order = {
        sort: "".join(van.vehicle for van, _ in ordered(vans, look_of({"sort": sort})))
        for sort in ("urgent", "van", "place", "heard", "aboard")
    }
    assert order == {"urgent": "bacd", "van": "abcd", "place": "abcd", "heard": "bacd", "aboard": "cabd"}


def test_narrowing() -> None:
    """By place, by trouble, by words of what the line says; a query that makes no sense asks for everything."""
    vans = [
        line("van-01"),
        line("van-02", place=PlaceView("way", "Corn Hall")),
        line("van-03", not_read=(NotReadView("no power"),)),
    ]

    def shown(**query: str) -> list[str]:
        return [van.vehicle for van, _ in ordered(vans, look_of(query))]

    assert shown(place="depot") == ["van-03", "van-01"]
    assert shown(place="~way") == ["van-02"]
    assert shown(show="look") == shown(show="urgent") == shown(find="POWER") == ["van-03"]
    assert shown(find="hall from") == ["van-02"]
    assert shown(sort="nonsense", show="x", find=" ") == ["van-03", "van-01", "van-02"]
    assert not look_of({"sort": "van"}).is_narrowed
