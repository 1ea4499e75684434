"""From an elevation and a brief to a plan: the chain of stages, and every way into it."""
