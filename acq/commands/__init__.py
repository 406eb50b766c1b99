"""The commands of the command line, each loaded when it is called."""
