"""Desks to be killed: reads a folder a line, serves it from a process of its own, prints its id and port.

The score is read once, here; each desk is a fork that opens the folder as any start does.
"""

from __future__ import annotations

import asyncio
import os
import pickle
import socket
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import uvicorn

from understave.desk.app import Desk, make_app
from understave.desk.history import history
from understave.desk.opened import OpenLesson
from understave.desk.recent import Recent
from understave.lesson.folder import open_folder


def serve(folder: Path, score, judged, spans, listening: socket.socket, token: str) -> None:
    lesson = OpenLesson(open_folder(folder), score, ThreadPoolExecutor(1), ThreadPoolExecutor(1))
    held, lesson.entries, lesson.history = lesson.entries, (), history(())
    lesson.begin_with(judged, spans)
    lesson.entries, lesson.history = held, history(held)
    lesson._follow()
    desk = Desk(folder.parent, Recent(folder.parent / "recent.json"))
    desk.lesson = lesson
    app = make_app(desk, token, listening.getsockname()[1])
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", lifespan="off"))
    asyncio.run(server.serve(sockets=[listening]))


def main() -> None:
    score, judged, spans = pickle.loads(Path(sys.argv[1]).read_bytes())
    token = sys.argv[2]
    for line in sys.stdin:
        listening = socket.socket()
        listening.bind(("127.0.0.1", 0))
        listening.listen(16)
        child = os.fork()
        if child == 0:
            serve(Path(line.strip()), score, judged, spans, listening, token)
            os._exit(0)
        port = listening.getsockname()[1]
        listening.close()
        print(child, port, flush=True)
        os.waitpid(child, 0)
        print("gone", flush=True)


if __name__ == "__main__":
    main()
