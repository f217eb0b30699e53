"""Pumps, carers and sinks that stand in for the real ones."""

from simulators.scenario import Scenario, ScenarioError, load, names
from simulators.truth import Trouble
from simulators.wire import Published
from simulators.world import World

__all__ = ["Published", "Scenario", "ScenarioError", "Trouble", "World", "load", "names"]
