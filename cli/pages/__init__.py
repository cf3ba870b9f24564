"""Templates of the pages for people."""
