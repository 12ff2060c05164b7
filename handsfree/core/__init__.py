"""The pure core: standard library only; no clock, file, thread, audio or database. Same input, same output."""
