"""Cautions about loudness, shown wherever somebody is about to listen. The tool cannot know the level at
the ear; the figures are background from WHO-ITU H.870 and NIOSH."""

CAUTION = (
    "Loud listening harms hearing. Start low, set the level once with the level check, then leave it, and "
    "take breaks. As background: WHO-ITU H.870 allows adults 80 dBA for 40 hours a week; NIOSH allows 85 dBA "
    "for 8 hours, and half the time for every 3 dB more. This program cannot know how loud it is at your "
    "ears. If your ears ring or hurt, stop, and ask a doctor or an audiologist."
)

LONG_SITTING = (
    "This sitting has passed 30 minutes. Ears tire and ratings drift; leave the round here if you like, "
    "it waits for you."
)
LONG_SITTING_S = 30 * 60

QUESTION = "How much do you want the song to go this way?"
SCALE = "0 = not at all, 100 = this is it"

HEARD_ON = ("headphones", "monitors", "car", "phone")
