"""The disk bench: a day on a small file system that is filled to the last byte and emptied again."""
