"""Rebuild a board from its tables alone, and look for anything that does not fit."""
