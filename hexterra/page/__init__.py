"""One HTML file that shows plans on any screen, and what it is made of."""
