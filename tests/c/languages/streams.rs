// The chip on the other end of two streams, as streams.hpp has it: bursts and waits.
use crate::gd;
use std::io::{Read, Write};

pub struct Streams;

impl gd::Spi for Streams {
    fn transfer(&mut self, out: &[u8], data: &mut [u8]) -> bool {
        let mut to = std::io::stdout();
        to.write_all(&[b'T', out.len() as u8]).is_ok()
            && to.write_all(out).is_ok()
            && to.flush().is_ok()
            && std::io::stdin().read_exact(data).is_ok()
    }
    fn wait_us(&mut self, us: u32) {
        let mut to = std::io::stdout();
        to.write_all(b"W").unwrap();
        to.write_all(&us.to_le_bytes()).unwrap();
        to.flush().unwrap();
    }
}
