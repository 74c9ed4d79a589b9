"""Messages of the chains: slug -> remedy."""

SLUGS: dict[str, str] = {
    "chain-range": "Write a value that these tracks allow.",
    "chain-no-file": "Check the path: it starts at the folder of the recipe file that names it.",
    "chain-file": "Export the impulse response again as a WAV file, or name another one.",
    "chain-no-key": "Name a mic or a performance that has tracks in this song, or leave `key` out.",
    "chain-not-finite": "Look at the processor named there and at the levels before it; nothing was written.",
    "chain-costs-efficiency": "Write `phase: linear` there, move it to the performance's chain, or accept it.",
    # plug-ins
    "plug-in-refused": "Check that it is an effect for this system, and its `name` and `state`.",
    "plug-in-crashed": "Update the plug-in, or render what it does beforehand; nothing was written.",
    "plug-in-too-slow": "Raise `time_limit_s`, or check whether the plug-in waits for a licence or a window.",
    "plug-in-latency": "Listen whether it sits in time; the reported latency was compensated.",
    "plug-in-not-reproducible": "Render what it does beforehand if the same samples must come out every time.",
}
