"""The pictures of the board in README.md, and the script that takes them."""
