"""`make bench`: what the program takes, beside what bounds it, measured in one run. See README.md."""
