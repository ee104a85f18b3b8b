"""A mail server for the tests: aiosmtpd of Debian, with STARTTLS and a login.

usage: smtp_server.py notls | CERT KEY

It says where it listens, then one line of JSON for each letter that it takes. What it
reads from its input sets how it answers: "refuse ADDRESS CODE" from then on
refuses a recipient, "sender CODE" refuses every sender, "accept" takes everybody
again, "busy" answers 451 to every letter, "stall" never answers a letter. It ends
with its input.
"""

import asyncio
import json
import socket
import ssl
import sys

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

behaviour = {"refuse": {}, "sender": None, "busy": False, "stall": False}


class Handler:
    async def handle_MAIL(self, server, session, envelope, address, options):
        if behaviour["sender"]:
            return behaviour["sender"] + " not from here"
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address in behaviour["refuse"]:
            return behaviour["refuse"][address] + " not here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        if behaviour["stall"]:
            print("stalled", flush=True)
            await asyncio.sleep(3600)
        if behaviour["busy"]:
            return "451 too busy"
        print(json.dumps({"from": envelope.mail_from, "to": envelope.rcpt_tos, "tls": session.ssl is not None,
                          "user": getattr(session, "auth_data", None) or "",
                          "letter": envelope.content.decode("ascii")}), flush=True)
        return "250 taken"


def authenticate(server, session, envelope, mechanism, data):
    good = data.login == b"fanwarden" and data.password == b"an invented password"
    return AuthResult(success=good, handled=good, auth_data=data.login.decode())


def main():
    tls = {}
    if "notls" not in sys.argv:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(sys.argv[1], sys.argv[2])
        tls = {"tls_context": context, "require_starttls": True}
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(Handler(), hostname="127.0.0.1", port=port, authenticator=authenticate,
                            auth_require_tls=True, auth_required=bool(tls), **tls)
    controller.start()
    print("listening", port, flush=True)
    for line in sys.stdin:
        words = line.split()
        if words[0] == "refuse":
            behaviour["refuse"][words[1]] = words[2]
        elif words[0] == "accept":
            behaviour["refuse"].clear()
            behaviour.update(sender=None, busy=False, stall=False)
        elif words[0] == "sender":
            behaviour["sender"] = words[1]
        elif words[0] in ("busy", "stall"):
            behaviour[words[0]] = True
        print("done", flush=True)
    controller.stop()


main()
