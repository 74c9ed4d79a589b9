"""Messages of the measures: slug -> remedy."""

SLUGS: dict[str, str] = {
    "same-take": "Record a second performance, or leave one of the two out: one take twice gives no width.",
    # limits of the recipe; broken: exit code 4, the files are still written
    "limit-sum-efficiency": "Look at the efficiency of each band in the report, and at the refused mics.",
    "limit-mono-fold": "Check both sides for a mic of inverted polarity and for one take used twice.",
    "limit-correlation": "Check both sides for a mic of inverted polarity, and the guitar bus's width.",
    "limit-true-peak": "Lower deliver.ceiling_dbtp to the limit, or lower the gains.",
    "limit-stem-spread": "Set gain_db of the performances of the bus.",
    "limit-refused-mics": "Give polarity and delay of the refused mics by hand, or mute them.",
    "limit-moved-mics": "Give polarity and delay of the moved mics by hand there, or mute them.",
    "limit-not-measured": "Deliver the files that the limit speaks of, look for silent ones, or remove the limit.",
}
