"""Programs in C, sketches, flash images and blocking scripts as nodes, in virtual time.

build.py      compiles a program with ``c/board.c`` (the functions of ``nodes/firmware/board.h``)
              into a shared object, kept by content, once something runs the vehicle
              (``session.ready``); sketch.py makes C++ of a sketch
pack.py       makes the header that packs and unpacks messages in C, and proves it up to date
answers.py    loads a copy for each node, and answers what the program asks
program.py    one run of a program: it runs until it asks for something, and gets it
coverage.py   the lines that ran
image.py      an image as a program; elf.py reads it, dwarf.py knows its variables, avr.py chips and
              boards and how to compile for them; processor.py is the face to the process that
              runs it
script.py     one run of a python-can script; threads.py its threads, stand_ins.py what it gets in
              place of the modules that know pins, the wall clock or a real bus
guard.py      keeps Python programs, which share the bench's process, from ending it. Every program
              that blocks is its ``BlockingProgram`` to the node's host

At each reset of a program in C, static memory is restored before any constructor runs
(``c/own_init.ld`` hides them from the loader). ``c/runtime.c`` gives a program its stack. The
program runs until it asks for something (``c/machine.h``). What needs no answer from the bench is
done in C, ahead of the clock up to the next event (``EventQueue.quiet_until``). A signal that the
program causes ends the program and not the bench. So does a system call, which the kernel turns
into a signal while a program runs.

An image runs instruction by instruction in a process of its own (``c/avr.c`` over libsimavr,
``c/processor.c``), which asks in the same words (``c/machine.h``) and runs ahead in the same way.
Beside it is the SPI CAN controller of sketches (``c/chip.cpp`` holds ``spi_can.h``). What it
simplifies: the controller begins anew with each reset of the processor; the boot time of the
vehicle file passes before the first instruction, without a boot loader; what the library does not
model (see ``c/avr.c``) is not there.
"""
