//! Who may speak to the page: a browser on this machine that was given this run's token.

/// Why a request is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// Another name for this machine, as a page elsewhere would use that has its own name point here.
    #[error("this page answers only at the address that podfall confirm printed")]
    Host,
    /// Another page speaks.
    #[error("another page may not speak to this one")]
    Origin,
    /// Not this run's token.
    #[error("open the whole address that podfall confirm printed; each run has a new one")]
    Token,
    /// Too long an address.
    #[error("the address is too long")]
    Address,
}

/// Longest path and query that are read.
const MOST_ADDRESS: usize = 1_000;

/// What is checked of each request.
#[derive(Debug, Clone)]
pub struct Guard {
    port: u16,
    token: String,
}

/// What a request says of itself.
#[derive(Debug, Clone, Copy, Default)]
pub struct Asked<'a> {
    /// Whether it would change something.
    pub writes: bool,
    /// Path and query.
    pub address: &'a str,
    /// The `Host` header.
    pub host: Option<&'a str>,
    /// The `Origin` header.
    pub origin: Option<&'a str>,
    /// The `Sec-Fetch-Site` header.
    pub site: Option<&'a str>,
    /// The `Cookie` header.
    pub cookie: Option<&'a str>,
}

impl Guard {
    /// For this port, with a fresh token of 32 bytes from the system.
    ///
    /// # Errors
    /// What the system said, when it gives no random bytes.
    pub fn new(port: u16) -> Result<Self, getrandom::Error> {
        let mut bytes = [0_u8; 32];
        getrandom::fill(&mut bytes)?;
        Ok(Self {
            port,
            token: bytes.iter().map(|b| format!("{b:02x}")).collect(),
        })
    }

    /// The address to open once; the browser is then known by a cookie.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/?key={}", self.port, self.token)
    }

    /// The cookie that a browser with the right token is given. Its name holds the port, so that two runs side by
    /// side do not take it from each other.
    pub fn cookie(&self) -> String {
        format!(
            "{}={}; Path=/; HttpOnly; SameSite=Strict",
            self.cookie_name(),
            self.token
        )
    }

    fn cookie_name(&self) -> String {
        format!("podfall-{}", self.port)
    }

    /// Whether this is the key that was printed.
    pub fn is_key(&self, key: &str) -> bool {
        same(key.as_bytes(), self.token.as_bytes())
    }

    /// Checks everything but the key.
    ///
    /// # Errors
    /// [`Refusal`].
    pub fn check(&self, asked: &Asked<'_>) -> Result<(), Refusal> {
        self.check_where(asked)?;
        let name = self.cookie_name();
        let known = asked.cookie.unwrap_or_default().split(';').any(|pair| {
            let Some((key, value)) = pair.trim().split_once('=') else {
                return false;
            };
            key == name && self.is_key(value)
        });
        if known { Ok(()) } else { Err(Refusal::Token) }
    }

    /// Checks where the request goes to and comes from.
    ///
    /// # Errors
    /// [`Refusal`].
    pub fn check_where(&self, asked: &Asked<'_>) -> Result<(), Refusal> {
        if asked.address.len() > MOST_ADDRESS {
            return Err(Refusal::Address);
        }
        let hosts = [
            format!("127.0.0.1:{}", self.port),
            format!("localhost:{}", self.port),
        ];
        let Some(host) = asked.host.filter(|host| hosts.iter().any(|h| h == host)) else {
            return Err(Refusal::Host);
        };
        let own = format!("http://{host}");
        let origin_is_right = match asked.origin {
            Some(origin) => origin == own,
            // Browsers name the origin with every write.
            None => !asked.writes,
        };
        let site_is_right = asked
            .site
            .is_none_or(|site| site == "same-origin" || (site == "none" && !asked.writes));
        if origin_is_right && site_is_right {
            Ok(())
        } else {
            Err(Refusal::Origin)
        }
    }
}

/// Compares without telling by the time taken how far two texts are alike.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |d, (x, y)| d | (x ^ y)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard() -> Guard {
        Guard {
            port: 7000,
            token: "ab12".to_owned(),
        }
    }

    fn good() -> Asked<'static> {
        Asked {
            writes: true,
            address: "/api/say",
            host: Some("127.0.0.1:7000"),
            origin: Some("http://127.0.0.1:7000"),
            site: Some("same-origin"),
            cookie: Some("other=1; podfall-7000=ab12"),
        }
    }

    #[test]
    fn the_page_itself_may_speak() {
        assert_eq!(guard().check(&good()), Ok(()));
    }

    #[test]
    fn every_other_name_of_this_machine_is_refused() {
        for host in [
            None,
            Some("evil.example:7000"),
            Some("127.0.0.1"),
            Some("127.0.0.1:7001"),
            Some("127.0.0.1:7000.evil.example"),
            Some(""),
        ] {
            let asked = Asked { host, ..good() };
            assert_eq!(guard().check(&asked), Err(Refusal::Host), "{host:?}");
        }
    }

    #[test]
    fn every_other_page_is_refused() {
        for origin in [
            None,
            Some("null"),
            Some("http://evil.example"),
            Some("https://127.0.0.1:7000"),
            Some("http://127.0.0.1:7001"),
            Some("http://localhost:7000"),
        ] {
            let asked = Asked { origin, ..good() };
            assert_eq!(guard().check(&asked), Err(Refusal::Origin), "{origin:?}");
        }
        let asked = Asked {
            site: Some("cross-site"),
            ..good()
        };
        assert_eq!(guard().check(&asked), Err(Refusal::Origin));
    }

    #[test]
    fn without_the_token_nothing_is_told() {
        for cookie in [
            None,
            Some(""),
            Some("podfall-7000="),
            Some("podfall-7000=ab1"),
            Some("podfall-7001=ab12"),
            Some("podfall-7000=ab13"),
        ] {
            let asked = Asked { cookie, ..good() };
            assert_eq!(guard().check(&asked), Err(Refusal::Token), "{cookie:?}");
        }
    }

    #[test]
    fn two_runs_have_two_tokens() {
        let (a, b) = (Guard::new(1).unwrap(), Guard::new(1).unwrap());
        assert_ne!(a.token, b.token);
        assert_eq!(a.token.len(), 64);
    }
}
