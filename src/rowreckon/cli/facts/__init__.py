"""Facts for plans that came without: in come inputs and options, out come inputs that know more.

Open `sources.py` first; `stand_in` asks an empty server of one's own, and says what one is built from.
"""
