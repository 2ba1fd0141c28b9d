"""The sections of the page: a module a section, which owns its figures, their words, its tables and its place."""
