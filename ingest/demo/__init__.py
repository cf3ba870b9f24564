"""Invented meters that run inside this program, so that every way of reading a meter can be tried without hardware."""
