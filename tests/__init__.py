"""The tests of hexterra."""
