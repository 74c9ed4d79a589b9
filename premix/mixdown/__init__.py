"""Mixdown stage: one streamed pass from mics to stems, buses and the guitar bus."""
