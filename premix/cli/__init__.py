"""The command line: parse, call one function, print, return a code."""
