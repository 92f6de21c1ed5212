"""The roadtally package: the van's agent and, under `agent.dispatch`, the dispatch side."""

__version__ = "0.1.0"
