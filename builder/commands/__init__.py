"""One module a command: takes what the command line parsed, calls the stages, prints."""
