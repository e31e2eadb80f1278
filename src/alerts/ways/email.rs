//! E-mail: one plain-text message for each, over the mail server that the site file names.

use lettre::message::{Mailbox, Mailboxes, header::ContentType};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::{Message, SmtpTransport, Transport as _};
use mosswarden_config::site::{Email, Site, Smtp, SmtpTls};

use super::super::log::Item;
use super::super::message;
use super::{TRY_WITHIN, WayError};

pub(super) fn send(email: &Email, site: &Site, item: &Item, now_ms: i64) -> Result<(), WayError> {
    let message = written(email, site, item, now_ms)?;
    transport(&email.smtp)?.send(&message).map_err(failed)?;
    Ok(())
}

fn failed(error: impl std::error::Error) -> WayError {
    WayError::Failed(error.to_string())
}

fn written(email: &Email, site: &Site, item: &Item, now_ms: i64) -> Result<Message, WayError> {
    let from: Mailbox = email
        .smtp
        .from
        .parse()
        .map_err(|_| WayError::Address(email.smtp.from.clone()))?;
    let to: Mailboxes = email
        .to
        .parse()
        .map_err(|_| WayError::Address(email.to.clone()))?;
    // The same for every try, so that a mail program knows a repeat.
    let id = format!("<{}-{}@{}>", item.news.at_ms(), item.number, from.email.domain());
    let mut builder = Message::builder()
        .from(from)
        .subject(message::subject(site, item))
        .message_id(Some(id))
        .header(ContentType::TEXT_PLAIN);
    for mailbox in to {
        builder = builder.to(mailbox);
    }
    builder.body(message::text(site, item, now_ms)).map_err(failed)
}

fn transport(smtp: &Smtp) -> Result<SmtpTransport, WayError> {
    let tls = match smtp.tls {
        SmtpTls::Off => Tls::None,
        SmtpTls::StartTls => Tls::Required(parameters(smtp)?),
        SmtpTls::Tls => Tls::Wrapper(parameters(smtp)?),
    };
    let mut builder = SmtpTransport::builder_dangerous(&smtp.host)
        .port(smtp.port)
        .tls(tls)
        .timeout(Some(TRY_WITHIN));
    if let Some(login) = &smtp.login {
        let password = mosswarden_collector::secret(&login.password_file)?;
        builder = builder.credentials(Credentials::new(login.username.clone(), password));
    }
    Ok(builder.build())
}

fn parameters(smtp: &Smtp) -> Result<TlsParameters, WayError> {
    let mut builder = TlsParameters::builder(smtp.host.clone());
    if let Some(file) = &smtp.ca_file {
        let pem = fs_err::read(file).map_err(failed)?;
        let authority = Certificate::from_pem(&pem).map_err(failed)?;
        builder = builder
            .certificate_store(CertificateStore::None)
            .add_root_certificate(authority);
    }
    builder.build_rustls().map_err(failed)
}
