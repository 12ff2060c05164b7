"""One file a command: read the options, call the library, print."""
