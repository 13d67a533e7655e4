"""The demo's song in few bars: the same kinds of section, played by the same band."""

from listening.demo.song import DemoPlan

SHORT = DemoPlan(
    "Lanterns on the Weir (short)",
    {
        "intro": (0, 3), "verse 1": (0, 1, 11), "refrain": (0, 7), "verse 2": (0, 11), "bridge": (0, 5, 7),
        "last refrain": (0, 8, 15), "outro": (0, 5),
    },
    "2.5",
    {
        "two_of_intro": "intro bars 1", "climb": "verse 2 bars 2", "bridge_rise": "bridge bars 1-2",
        "high_refrain": "last refrain bars 2-3",
    },
)  # fmt: skip
