"""The forecast of a plan: what it costs in energy, and what chance it gives a caller of being heard.

Numbers in, numbers out: nothing here reads a file or a clock. An outlook is a model. A caller may do
otherwise, and nobody should rely on being heard.
"""
