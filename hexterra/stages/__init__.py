"""The stages: pure functions from values to values, one public function to a file.

gather -> quantise -> flow, mark_cliffs -> legalise -> fit -> schedule
"""
