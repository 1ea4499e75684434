"""The build book: one PDF from what to buy to where each piece goes."""
