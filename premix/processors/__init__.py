"""Processors of `chain:`; the only user of pedalboard.

base: what a processor is. equalisers, colour, dynamics, space, plug_in (with plug_in_worker): the processors by family.
chains: all of them in one table, a whole chain at work, and what of a song's chains cannot be used with its tracks.
"""
