"""Every message premix can give, by slug, with its remedy: one file a stage, one table here.

Add a slug to the file of the stage that gives it. The table feeds the message list in recipes/README.md.
"""

from premix.messages import (
    alignment,
    batch,
    chain,
    damage,
    delivery,
    demo,
    draft,
    gate,
    measures,
    recipe,
    report,
    track_names,
    tracks,
)

STAGES = {
    "recipe": recipe.SLUGS,
    "track names": track_names.SLUGS,
    "tracks": tracks.SLUGS,
    "damage": damage.SLUGS,
    "alignment": alignment.SLUGS,
    "gate": gate.SLUGS,
    "chains": chain.SLUGS,
    "measures": measures.SLUGS,
    "delivery": delivery.SLUGS,
    "report": report.SLUGS,
    "batch": batch.SLUGS,
    "demo": demo.SLUGS,
    "draft": draft.SLUGS,
}

SLUGS: dict[str, str] = {slug: remedy for table in STAGES.values() for slug, remedy in table.items()}
"""slug -> what to do about it, one sentence."""
