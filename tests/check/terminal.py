"""Runs a program on a terminal of its own and answers its question: `terminal.py ANSWER PROGRAM ARGUMENT...`. Prints what the terminal
showed, and ends as the program did. Python's `pty` is the terminal."""

import os
import pty
import signal
import sys

answer, program = sys.argv[1], sys.argv[2:]
signal.alarm(60)
pid, terminal = pty.fork()
if pid == 0:
    os.execv(program[0], program)
shown, is_answered = b"", False
while True:
    try:
        piece = os.read(terminal, 4096)
    except OSError:
        break
    if not piece:
        break
    shown += piece
    if not is_answered and shown.endswith(b"[y/N] "):
        is_answered = True
        os.write(terminal, answer.encode() + b"\n")
sys.stdout.write(shown.decode().replace("\r\n", "\n"))
sys.stdout.flush()
sys.exit(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
