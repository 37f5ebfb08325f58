"""What `make pictures` runs: the demo clinic of one day, every page as every role in a real browser,
photographed and timed. Nothing of the product imports this.
"""
