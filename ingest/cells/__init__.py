"""Every trap of a single cell: text, numbers, units, words, dates. Pure functions of text; nothing is guessed."""
