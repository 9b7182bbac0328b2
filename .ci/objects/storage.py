"""An object storage on this machine that can be killed, and a way to it that counts what goes by and kills it at a chosen moment."""

import http.client
import http.server
import os
import signal
import socket
import subprocess
import threading
import time
from dataclasses import dataclass, field

LOOPBACK = "127.0.0.1"


def free_port():
    with socket.socket() as s:
        s.bind((LOOPBACK, 0))
        return s.getsockname()[1]


class Server:
    """The storage: objects are files below `root`."""

    def __init__(self, program, root, access, secret):
        self.program, self.root, self.port = program, root, free_port()
        self.keys = ["--access-key", access, "--secret-key", secret]
        self.process = None
        self.kills = 0
        self.lock = threading.Lock()
        os.makedirs(root, exist_ok=True)

    def start(self):
        with self.lock:
            if self.process and self.process.poll() is None:
                return
            self.process = subprocess.Popen(
                [self.program, "--host", LOOPBACK, "--port", str(self.port), *self.keys, self.root],
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(200):
            with socket.socket() as s:
                if s.connect_ex((LOOPBACK, self.port)) == 0:
                    return
            time.sleep(0.05)
        raise SystemExit("error: the storage does not start")

    def kill(self):
        with self.lock:
            if self.process and self.process.poll() is None:
                self.process.send_signal(signal.SIGKILL)
                self.process.wait()
                self.kills += 1


@dataclass
class Plan:
    """What is to happen at the n-th request of a method, counted from 1."""

    method: str
    n: int
    # before: the request never comes to the storage; middle: half of its body does; after: its answer is lost; wait: it is held up
    when: str
    # seconds after which the storage is started again; None: not by itself
    back_after: float | None = None
    path: str = ""
    seen: int = 0
    done: threading.Event = field(default_factory=threading.Event)


class Way:
    """Hands requests on as they are, to the letter."""

    def __init__(self, server):
        self.server, self.plan, self.log = server, None, []
        self.lock = threading.Lock()
        way = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_):
                pass

            def pass_on(self):
                way.pass_on(self)

            do_GET = do_HEAD = do_PUT = do_POST = do_DELETE = pass_on

        class Listener(http.server.ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_):
                pass

        self.listener = Listener((LOOPBACK, 0), Handler)
        self.port = self.listener.server_address[1]
        threading.Thread(target=self.listener.serve_forever, daemon=True).start()

    def arm(self, plan):
        with self.lock:
            self.plan, self.log = plan, []

    def due(self, handler):
        with self.lock:
            plan = self.plan
            if not plan or plan.done.is_set() or handler.command != plan.method or plan.path not in handler.path:
                return None
            plan.seen += 1
            if plan.seen != plan.n:
                return None
            plan.done.set()
            return plan

    def kill(self, plan):
        self.server.kill()
        if plan.back_after is not None:
            threading.Timer(plan.back_after, self.server.start).start()

    def pass_on(self, handler):
        body = handler.rfile.read(int(handler.headers.get("Content-Length") or 0))
        plan = self.due(handler)
        if plan and plan.when == "wait":
            time.sleep(plan.back_after)
        if plan and plan.when == "before":
            self.kill(plan)
        to = http.client.HTTPConnection(LOOPBACK, self.server.port, timeout=20)
        try:
            to.putrequest(handler.command, handler.path, skip_host=True, skip_accept_encoding=True)
            for name, value in handler.headers.items():
                to.putheader(name, value)
            to.endheaders()
            if plan and plan.when == "middle":
                to.send(body[: len(body) // 2])
                time.sleep(0.05)
                self.kill(plan)
                raise ConnectionError
            if body:
                to.send(body)
            answer = to.getresponse()
            content = answer.read()
        except (OSError, http.client.HTTPException):
            handler.close_connection = True
            return
        finally:
            to.close()
        with self.lock:
            self.log.append((handler.command, handler.path.split("?")[0], len(content) if handler.command == "GET" else 0))
        if plan and plan.when == "after":
            self.kill(plan)
            handler.close_connection = True
            return
        handler.send_response_only(answer.status, answer.reason)
        for name, value in answer.getheaders():
            if name.lower() not in ("transfer-encoding", "connection", "content-length"):
                handler.send_header(name, value)
        length = answer.getheader("Content-Length") if handler.command == "HEAD" else str(len(content))
        handler.send_header("Content-Length", length or "0")
        handler.end_headers()
        if handler.command != "HEAD":
            handler.wfile.write(content)
