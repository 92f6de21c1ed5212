"""LLRP 1.0.1 and 1.1: bytes to messages and back, and a client's session; no socket, no thread, no clock."""
