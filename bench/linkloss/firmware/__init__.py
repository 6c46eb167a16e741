"""C and C++ programs as nodes: built, loaded, run on a stack of their own, joined to a board."""
