"""Receivers for alerts on loopback: a web server and a mail server, each of other people's making. Writes what comes as JSON lines.

usage: receivers.py OUT [--http PORT [--tls]] [--smtp PORT [--smtp-tls starttls|tls] [--login USER PASSWORD]]
       [--certificate FILE --key FILE] [--fail N]

--fail N: the web server answers 503 and the mail server 451 to the first N messages.
Says `ready` when both listen, and goes on until it is killed.
"""

import argparse
import email
import email.policy
import http.server
import json
import ssl
import threading

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult


def arguments():
    parser = argparse.ArgumentParser()
    parser.add_argument("out")
    parser.add_argument("--http", type=int)
    parser.add_argument("--tls", action="store_true")
    parser.add_argument("--smtp", type=int)
    parser.add_argument("--smtp-tls", default="off")
    parser.add_argument("--login", nargs=2)
    parser.add_argument("--certificate")
    parser.add_argument("--key")
    parser.add_argument("--fail", type=int, default=0)
    return parser.parse_args()


asked = arguments()
lock = threading.Lock()
failures = {"webhook": asked.fail, "email": asked.fail}


def note(way, said):
    """Writes one line, or says that this one must fail."""
    with lock:
        if failures[way] > 0:
            failures[way] -= 1
            return False
        with open(asked.out, "a") as out:
            out.write(json.dumps({"way": way, **said}) + "\n")
        return True


def tls():
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(asked.certificate, asked.key)
    return context


class Hook(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        taken = note("webhook", {"path": self.path, "headers": {name.title(): value for name, value in self.headers.items()}, "body": body})
        self.send_response(204 if taken else 503)
        self.end_headers()

    def log_message(self, *_):
        pass


class Mailbox:
    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        taken = note(
            "email",
            {
                "from": envelope.mail_from,
                "to": envelope.rcpt_tos,
                "subject": mail["Subject"],
                "id": mail["Message-ID"],
                "text": mail.get_content(),
                "tls": server.transport.get_extra_info("ssl_object") is not None,
                "login": session.auth_data.login.decode() if session.auth_data else None,
            },
        )
        return "250 OK" if taken else "451 try again"


def authenticate(server, session, envelope, mechanism, data):
    right = [part.encode() for part in asked.login]
    return AuthResult(success=[data.login, data.password] == right, auth_data=data)


if asked.http:
    web = http.server.ThreadingHTTPServer(("127.0.0.1", asked.http), Hook)
    if asked.tls:
        web.socket = tls().wrap_socket(web.socket, server_side=True)
    threading.Thread(target=web.serve_forever, daemon=True).start()
if asked.smtp:
    settings = {}
    if asked.login:
        settings = {"authenticator": authenticate, "auth_required": True, "auth_require_tls": asked.smtp_tls == "starttls"}
    if asked.smtp_tls == "starttls":
        settings |= {"tls_context": tls(), "require_starttls": True}
    if asked.smtp_tls == "tls":
        settings |= {"ssl_context": tls()}
    Controller(Mailbox(), hostname="127.0.0.1", port=asked.smtp, **settings).start()
print("ready", flush=True)
threading.Event().wait()
