"""The words of the command line that ship with the pipeline; each is one small class."""
