"""The check before the show: everything is walked through once, with the processes that will play."""
