"""A mail server that keeps what it gets: one line of JSON a message on standard output.

Plain, with STARTTLS that it insists on, or TLS from the first byte; with or without a password; with a script of answers
to the end of data (250, 451, 550, …) before it takes everything.
"""

import argparse
import asyncio
import email
import email.policy
import json
import ssl
import sys

from aiosmtpd.smtp import SMTP, AuthResult


class Sink:
    def __init__(self, answers):
        self.answers = answers

    async def handle_DATA(self, server, session, envelope):
        answer = self.answers.pop(0) if self.answers else "250"
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        print(
            json.dumps(
                {
                    "answer": answer,
                    "from": envelope.mail_from,
                    "to": envelope.rcpt_tos,
                    "tls": session.ssl is not None,
                    "user": getattr(session, "user_name", None),
                    "headers": [[name, str(value)] for name, value in message.items()],
                    "text": message.get_content(),
                }
            ),
            flush=True,
        )
        return f"{answer} as the script says"


def authenticate(server, session, envelope, mechanism, data):
    right = data.login == b"sumps" and data.password == b"right"
    if right:
        session.user_name = data.login.decode()
    return AuthResult(success=right, handled=False)


async def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--certificate")
    parser.add_argument("--key")
    parser.add_argument("--tls", choices=["none", "starttls", "wrapped"], default="none")
    parser.add_argument("--auth", action="store_true")
    parser.add_argument("--answers", nargs="*", default=[])
    arguments = parser.parse_args()
    context = None
    if arguments.certificate:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(arguments.certificate, arguments.key)
    starttls = arguments.tls == "starttls"
    sink = Sink(arguments.answers)

    def server():
        return SMTP(
            sink,
            hostname="mail.example",
            tls_context=context if starttls else None,
            require_starttls=starttls,
            authenticator=authenticate if arguments.auth else None,
            auth_required=arguments.auth,
            auth_require_tls=arguments.tls == "starttls",
        )

    loop = asyncio.get_running_loop()
    wrapped = context if arguments.tls == "wrapped" else None
    listening = await loop.create_server(server, "127.0.0.1", arguments.port, ssl=wrapped)
    print("ready", file=sys.stderr, flush=True)
    await listening.serve_forever()


asyncio.run(main())
