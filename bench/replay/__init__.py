"""Logged drives: read, described, put on the wire again, compared, made.

source.py    a log file as a stream of messages, whatever is wrong with the file
stream.py    messages as frames of one channel, at instants from the first one on
"""
