"""From plan to bench: what the pieces of a board take in foam, cuts, hours and finishing.

Every public function here obeys the law of the stages: values in, new value out, nothing else.
"""
