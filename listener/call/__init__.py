"""The call: hits become calls, judged jointly over all the repeats, with a calibrated confidence."""
