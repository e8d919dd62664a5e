"""The record of a commissioning as one page that prints: gather what was kept, draw it, render it as HTML."""
