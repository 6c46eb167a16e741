"""Programs in C, sketches and blocking scripts as nodes, each on a stack of its own, on virtual
time.

build.py      compiles a program with ``c/board.c`` (the functions of ``nodes/firmware/board.h``)
              into a shared object, kept by content, once something runs the vehicle
              (``session.ready``); sketch.py makes C++ of a sketch
answers.py    loads a copy for each node, and answers what the program asks
program.py    one run of a program: it runs until it asks for something, and gets it
coverage.py   the lines that ran
script.py     one run of a python-can script; threads.py its threads, stand_ins.py what it gets in
              place of the modules that know pins, the wall clock or a real bus
guard.py      keeps Python programs, which share the bench's process, from ending it. Every program
              that blocks is its ``BlockingProgram`` to the node's host

At each reset static memory is set back before any constructor runs (``c/own_init.ld`` keeps them
from the loader). ``c/runtime.c`` gives a program its stack: it runs until it asks for something
(``c/machine.h``). What it can decide alone it decides in C, ahead of the clock up to the next
event of anybody (``EventQueue.quiet_until``). A signal that it causes ends it and not the bench,
and so does a call of the operating system, which the kernel turns into a signal while a program
runs.
"""
