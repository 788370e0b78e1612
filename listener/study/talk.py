"""What people say on a launch radio when nobody makes the call: the negatives' texts.

{phrase} stands for each phrase of the study: the call's word in talk, once, and twice, must not be a
call. Invented places and call signs.
"""

TALK = (
    "we will {phrase} at four if the wind holds",
    "did somebody say {phrase} on this net",
    "the word for today is {phrase}, read back",
    "{phrase}",
    "{phrase}, {phrase}",
    "copy, {phrase} is understood",
    "the bridge was suspended for an hour",
    "there was some suspense in the last hand",
    "it depends on how much we spend",
    "the whole deck depends on the second pump",
    "standby, standby, standby",
    "copper three one, radio check",
    "copper three one, loud and clear, how me",
    "launcher two is ready, tension on your signal",
    "kestrel tower, launcher one, two minutes",
    "wind is zero four zero at eighteen, gusting twenty six",
    "roger, roger, hold short of the line",
    "send the tractor forward when able",
    "next aircraft is copper three four, light load",
    "confirm weight fifty two thousand",
    "fifty two thousand confirmed, set and checked",
    "spotter on the port side, keep clear of the foul line",
    "all stations, break, break, next event at ten thirty",
    "say again all after weight",
    "the spare is hot and manned",
    "negative, negative, wait for the green shirt",
    "bring the spending report to the second deck",
    "seven, six, five, four, three, two, one",
    "crew change in five, then we start the second cycle",
    "lamp test complete, horn test complete",
    "I would like the coffee without sugar, please",
    "we spent the whole weekend repairing that hinge",
    "upend the crate and lash it down",
    "launcher one is down for an inspection, expect ten minutes",
)
