"""Messages of the report stage: slug -> remedy."""

SLUGS: dict[str, str] = {
    "report-extra-missing": "Install premix-stems[report] for the page, or say --no-report.",
    "comparison-no-variants": "Write `variants:` in the recipe, or say --vary mics.",
    "comparison-silent": "Look at what the variant mutes.",
    "report-pictures": "Choose a folder you may write to with --pictures; the run's files are in place.",
}
