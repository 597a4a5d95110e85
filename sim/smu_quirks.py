"""What can be odd about a simulated source-measure unit.  Loads nothing, for the sake of `--help`."""

QUIRKS = {
    "slow": "a reading takes 0.3 s",
    "no-sense": "it knows no SYSTem:RSENse",
    "clamped": "its output, when off, is held at 0 V",
    "crlf": "its answers end with carriage return and line feed",
    "no-fetch": "what it did not measure last can't be fetched",
    "silent": "a reading that was begun is never answered",
    "energised": "its output is on from the beginning, at 0.2 V",
}
