"""The dispatch side: ingest of what vehicles publish, its store, and the board that shows it.

Imports of this package need the extra `[dispatch]`; a vehicle's computer never does.
"""
