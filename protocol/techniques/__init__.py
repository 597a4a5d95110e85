"""One file a family of techniques; each compiles a method to a program."""
