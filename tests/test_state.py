"""What the presence model is told of where the van has been."""

from __future__ import annotations

from msgspec.structs import replace

from agent.itinerary import Stop
from agent.presence.contexts import Visit, visit_of
from agent.state import Setup, State, _regimes, regimes
from tests.days import Scene, run, setup_of, tell


def visits(setup: Setup, state: State) -> dict[str | None, Visit]:
    """By site, which visit its latest stop is of."""
    seen = regimes(setup, state)
    stops = [segment for segment in state.itinerary.segments if isinstance(segment, Stop)]
    return {stop.place.site: visit_of(seen.context(stop.from_s + 100.0)) for stop in stops}


def test_a_site_of_an_earlier_trip_is_remembered() -> None:
    """What was left there on a trip that is let go of may be heard there again, so the place still counts as known."""
    setup = setup_of()
    scene = Scene().doors(on=True).stay(300).doors(on=False).drive("hall").stay(300)
    away = tell(scene, setup, to_the_end=False).state
    assert away.visited == ()
    assert visits(setup, away)["hall"] is Visit.FIRST
    scene.drive("studio").stay(300).drive("depot").doors(on=True).stay(7200).doors(on=False).drive("hall").stay(300)
    later = tell(scene, setup, to_the_end=False).state
    assert later.visited == ("depot", "hall", "studio")
    assert visits(setup, later)["hall"] is Visit.AGAIN
    assert visits(setup, replace(later, visited=()))["hall"] is Visit.FIRST


def test_regimes_that_are_remembered_are_those_that_would_be_made_anew() -> None:
    """At every input of a day with doors, legs and a break, and again from a state of an hour before."""
    scene = Scene(seed=4).hear("case-1").stay(60).drive("hall").stay(60).drive("depot").stay(30)
    setup = setup_of()
    states = [state for state, _ in run(setup, scene.inputs)]
    assert len({id(regimes(setup, state)) for state in states}) < len(states) / 2
    for state in (*states, states[len(states) // 2], states[-1]):
        assert regimes(setup, state) == _regimes(setup, state)
    assert len({regimes(setup, state).contexts for state in states[::50]}) > 2
