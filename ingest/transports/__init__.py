"""Bytes in and out: serial ports, Bluetooth LE, scripted conversations."""
