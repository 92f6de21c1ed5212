"""The link bench: a vehicle's store and publisher, a real broker and a real dispatch side, and all that goes wrong."""
