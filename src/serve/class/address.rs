//! Which of the machine's addresses a class may reach.

use std::net::Ipv4Addr;

use crate::serve::ServeError;

/// An address of this machine and the name of its network card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Own {
    pub card: String,
    pub address: Ipv4Addr,
}

/// The machine's addresses; loopback isn't among them.
///
/// # Errors
/// When the system doesn't say.
pub fn own() -> std::io::Result<Vec<Own>> {
    let cards = if_addrs::get_if_addrs()?;
    let of = |card: if_addrs::Interface| match card.ip() {
        std::net::IpAddr::V4(address) if !address.is_loopback() => Some(Own { card: card.name, address }),
        _ => None,
    };
    Ok(cards.into_iter().filter_map(of).collect())
}

/// One of the machine's addresses, or of its loopback net, which nobody else reaches: good for trying things out. Never "all
/// addresses": a laptop in two networks would open itself to both.
///
/// # Errors
/// [`ServeError::Address`].
pub fn check(address: Ipv4Addr) -> Result<(), ServeError> {
    let own = own()?;
    if address.is_loopback() || own.iter().any(|card| card.address == address) {
        return Ok(());
    }
    let own = own.iter().map(|card| format!("{} ({})", card.address, card.card)).collect::<Vec<_>>().join(", ");
    Err(ServeError::Address { address, own })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_addresses_at_once_and_foreign_ones_are_refused() {
        // 192.0.2.0/24 is for documentation (RFC 5737): no machine has it.
        for address in [Ipv4Addr::UNSPECIFIED, Ipv4Addr::BROADCAST, Ipv4Addr::new(192, 0, 2, 1)] {
            assert!(matches!(check(address), Err(ServeError::Address { .. })), "{address}");
        }
        assert!(check(Ipv4Addr::LOCALHOST).is_ok());
        assert!(own().unwrap().iter().all(|card| check(card.address).is_ok()));
    }
}
