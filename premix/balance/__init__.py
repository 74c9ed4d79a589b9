"""The balance of a song's mics: found from a rough mix, and written as a layer of the recipe.

offset: when the mix begins against the tracks. gathered: what mix and tracks share, in one pass. unmix: the gains that
make the mix. found: these as gains and pans of the recipe. layer: the recipe's lines.
"""
