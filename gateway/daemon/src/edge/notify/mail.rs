//! Messages by e-mail: plain text, one connection a message.

use std::path::Path;

use lettre::address::Envelope;
use lettre::message::Mailbox;
use lettre::message::header::ContentType;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters, TlsVersion};
use lettre::{AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor};
use ring::digest;
use sumpwarden_core::model::Name;
use sumpwarden_core::notify::settings::{MailSecurity, MailSettings};
use sumpwarden_core::notify::words::Composed;

use super::super::clock::Clock;
use super::http::chain;
use super::{MESSAGE_DEADLINE, Outcome, ReceiverError};
use crate::edge::hex::hex;
use crate::edge::secret_file;

/// What an answer of a server means for the message.
enum Judged {
    /// This mailbox will never take it.
    Refused,
    /// Fewer rows may pass.
    TooLarge,
    /// It may pass: the network, the server or our own account is at fault.
    Later,
}

fn judge(error: &lettre::transport::smtp::Error) -> Judged {
    match error.status().map(u16::from) {
        Some(552) => Judged::TooLarge,
        _ if error.is_permanent() => Judged::Refused,
        _ => Judged::Later,
    }
}

/// Sends by one server.
pub(super) struct Mail {
    settings: MailSettings,
    site: Name,
    from: Mailbox,
    to: Vec<Mailbox>,
}

impl Mail {
    pub(super) fn new(settings: &MailSettings, site: &Name) -> Result<Self, ReceiverError> {
        let mailbox = |text: &str| {
            text.parse::<Mailbox>()
                .map_err(|error| ReceiverError::Address(format!("{text:?} is no mail address: {error}")))
        };
        let from = mailbox(&settings.from)?;
        let to = settings.to.iter().map(|to| mailbox(to)).collect::<Result<Vec<_>, _>>()?;
        Ok(Self { settings: settings.clone(), site: site.clone(), from, to })
    }

    /// Takes over another password, where its file holds one by now; whether it did.
    pub(super) async fn renew(&mut self) -> bool {
        match &mut self.settings.user {
            Some((_, password)) => secret_file::renew(password).await,
            None => false,
        }
    }

    pub(super) async fn send(&self, message: &Composed) -> Outcome {
        let mail = match self.build(message) {
            Ok(mail) => mail,
            Err(error) => return Outcome::Refused(chain(&error)),
        };
        let transport = match self.transport().await {
            Ok(transport) => transport,
            Err(why) => return Outcome::Later(why, None),
        };
        let text = mail.formatted();
        let mut taken = false;
        let mut refused = Vec::new();
        // One by one: a mailbox that is no longer there must not keep the message from everybody else.
        for to in &self.to {
            let envelope = match Envelope::new(Some(self.from.email.clone()), vec![to.email.clone()]) {
                Ok(envelope) => envelope,
                Err(error) => return Outcome::Refused(chain(&error)),
            };
            match transport.send_raw(&envelope, &text).await {
                Ok(_) => taken = true,
                Err(error) => match judge(&error) {
                    Judged::Refused => refused.push(format!("{}: {}", to.email, chain(&error))),
                    Judged::TooLarge => return Outcome::TooLarge,
                    // Who has it already gets it again under the same id.
                    Judged::Later => return Outcome::Later(chain(&error), None),
                },
            }
        }
        if !taken {
            return Outcome::Refused(refused.join("; "));
        }
        if !refused.is_empty() {
            tracing::warn!(refused = refused.join("; "), "some mailboxes do not take messages");
        }
        Outcome::Taken
    }

    fn build(&self, message: &Composed) -> Result<Message, lettre::error::Error> {
        let mut builder = Message::builder()
            .from(self.from.clone())
            .subject(message.subject.clone())
            .message_id(Some(self.message_id(message)))
            .header(ContentType::TEXT_PLAIN);
        for to in &self.to {
            builder = builder.to(to.clone());
        }
        builder.body(message.text.clone())
    }

    /// The same for the same rows, so that a mail program knows one that came twice.
    fn message_id(&self, message: &Composed) -> String {
        let mut context = digest::Context::new(&digest::SHA256);
        for item in &message.items {
            let part = format!("{}\n{}\n{}\n", item.key, item.sequence, item.action.word());
            context.update(part.as_bytes());
        }
        if message.test {
            context.update(format!("test {}", Clock.utc().as_millis()).as_bytes());
        }
        context.update(message.receiver.as_bytes());
        let hash = hex(&context.finish().as_ref()[..16]);
        format!("<{hash}.{}@{}>", self.site, self.from.email.domain())
    }

    async fn transport(&self) -> Result<AsyncSmtpTransport<Tokio1Executor>, String> {
        let settings = &self.settings;
        let tls = match settings.security {
            MailSecurity::None => Tls::None,
            MailSecurity::StartTls => Tls::Required(self.tls().await?),
            MailSecurity::Tls => Tls::Wrapper(self.tls().await?),
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(settings.host.as_str())
            .port(settings.port)
            .timeout(Some(MESSAGE_DEADLINE))
            .tls(tls);
        if let Some((user, password)) = &settings.user {
            builder = builder.credentials(Credentials::new(user.clone(), password.reveal().to_owned()));
        }
        Ok(builder.build())
    }

    async fn tls(&self) -> Result<TlsParameters, String> {
        let mut builder =
            TlsParameters::builder(self.settings.host.clone()).set_min_tls_version(TlsVersion::Tlsv12);
        if let Some(file) = &self.settings.ca_file {
            let pem = tokio::fs::read(Path::new(file)).await.map_err(|error| format!("{file}: {error}"))?;
            let authority =
                Certificate::from_pem(&pem).map_err(|error| format!("{file}: {}", chain(&error)))?;
            builder = builder.certificate_store(CertificateStore::None).add_root_certificate(authority);
        }
        builder.build_rustls().map_err(|error| chain(&error))
    }
}
