"""The usual cautions, in one place: every surface says them in its own short way, made of these words.

Where the work can hurt someone, people must know what this program is not and who decides. The generated
surfaces (help, watch page, debrief, record, study) take their lines from here; README, the cards and the
settings to start from say the same in their own text. tests/tell/test_cautions.py reads them all.
"""

# The five things that every surface says.
NOT_CERTIFIED = "Advisory and not certified for any use."
WHO_DECIDES = "Local orders, and the persons licensed or qualified to decide, come first."
NO_PERMISSION = "The absence of an alert is never permission to launch."
BACKUP = "It backs up the visual signals and the assigned listener, and replaces neither."
RECORDING_LAW = "Recording a radio channel is subject to local law."

ALL = (NOT_CERTIFIED, BACKUP, WHO_DECIDES, NO_PERMISSION, RECORDING_LAW)

# Below the commands of `listener --help`: one paragraph.
HELP = " ".join(ALL)

# The watch page and the terminal: shown while people work, so the shortest.
WATCH = (
    f"{NOT_CERTIFIED} {NO_PERMISSION} {BACKUP}",
    f"{WHO_DECIDES} {RECORDING_LAW}",
)

# A debrief of one drill, and a crew's record.
DRILL = (
    "Advisory and not certified: it backs up the visual signals and the assigned listener. That it stays quiet proves "
    "nothing: the absence of an alert is never permission to launch.",
    f"{WHO_DECIDES} {RECORDING_LAW}",
)

# A study's report, and the comparison of two.
STUDY = (
    "These figures say how a program did on the sounds named below; they certify nothing, and the program is advisory and "
    "not certified for any use. However few calls it misses here, the absence of an alert is never permission to launch.",
    f"{BACKUP} {WHO_DECIDES} {RECORDING_LAW}",
)

# The acceptance of one line at a site, and its command's help.
ACCEPTANCE = (
    "These figures say how a program did on the calls and hours named here; they certify nothing, and the program is advisory "
    "and not certified for any use. However few calls it missed, the absence of an alert is never permission to launch.",
    f"{BACKUP} {WHO_DECIDES} {RECORDING_LAW}",
)

# The page on which people hear a study's sounds.
PEOPLE = (
    "This is no hearing test: it says nothing about anybody's hearing, and nobody's fitness for a duty. What is compared is "
    f"how calls are heard in noise. The program is advisory and not certified for any use. {NO_PERMISSION}",
    f"{BACKUP} {WHO_DECIDES} {RECORDING_LAW}",
)
