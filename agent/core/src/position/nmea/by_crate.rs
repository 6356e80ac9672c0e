//! Quality and speed as the `nmea` crate reads them: GSA, GST and VTG. What it can't read is missing and costs no
//! position.
//!
//! Times are read by our own [`Fields`](super::Fields) alone, because the sentences of one epoch are joined by them.
//! The crate works in 32 bits: seven digits, where receivers send three.

use super::Sentence;
use nmea::ParseResult;

/// How many satellites a GSA lists as used, and its HDOP; `None` if it can't be read.
#[must_use]
pub fn satellites_and_hdop(sentence: &Sentence<'_>) -> Option<(u8, Option<f64>)> {
    let ParseResult::GSA(gsa) = read(sentence)? else { return None };
    // The crate ends the list of satellites at the first number with a point. If a dilution has none, its numbers are
    // not what they seem (seen in its source; tested below).
    let points = sentence.body().split(|c| *c == b'.').count() - 1;
    let dilutions = [gsa.pdop, gsa.hdop, gsa.vdop].iter().flatten().count();
    if points != dilutions {
        return None;
    }
    Some((u8::try_from(gsa.fix_sats_prn.len()).unwrap_or(u8::MAX), gsa.hdop.map(f64::from)))
}

/// The greater standard deviation of latitude and longitude of a GST, metres.
#[must_use]
pub fn sigma_m(sentence: &Sentence<'_>) -> Option<f64> {
    let ParseResult::GST(gst) = read(sentence)? else { return None };
    gst.lat_sd.zip(gst.long_sd).map(|(lat_m, lon_m)| f64::from(lat_m.max(lon_m)))
}

/// Speed over ground of a VTG, knots.
#[must_use]
pub fn speed_knots(sentence: &Sentence<'_>) -> Option<f64> {
    let ParseResult::VTG(vtg) = read(sentence)? else { return None };
    vtg.speed_over_ground.map(f64::from)
}

fn read(sentence: &Sentence<'_>) -> Option<ParseResult> {
    nmea::parse_bytes(sentence.text()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::position::nmea::Reader;

    fn of<T>(text: &str, read: fn(&Sentence<'_>) -> T) -> Option<T> {
        let sum = text.bytes().fold(0, |sum, c| sum ^ c);
        let mut found = None;
        Reader::default()
            .feed(format!("${text}*{sum:02X}\r\n").as_bytes(), &mut |sentence| found = Some(read(sentence)));
        found
    }

    #[test]
    fn satellites_and_dilution_of_a_list_of_any_length_are_read() {
        let twelve = "GPGSA,A,3,02,05,07,,,,,,,,,,1.5,0.8,1.2";
        assert_eq!(of(twelve, satellites_and_hdop), Some(Some((3, Some(f64::from(0.8_f32))))));
        let more = "GNGSA,A,3,7,8,10,16,18,20,21,26,27,30,69,70,71,75,77,85,86,,,,1.221,0.653,1.031";
        assert_eq!(of(more, satellites_and_hdop), Some(Some((17, Some(f64::from(0.653_f32))))));
        assert_eq!(of("GPGSA,A,1,,,,,,,,,,,,,,,", satellites_and_hdop), Some(Some((0, None))));
    }

    #[test]
    fn a_whole_number_for_a_dilution_never_passes_for_a_satellite() {
        for text in ["GNGSA,A,3,02,05,,,,,,,,,,,2,1.1,1.6,1", "GNGSA,A,3,02,05,,,,,,,,,,,2.0,1,1.6,1"] {
            assert_ne!(of(text, satellites_and_hdop), Some(Some((3, Some(f64::from(1.6_f32))))), "{text}");
        }
        assert_eq!(of("GNGSA,A,3,02,05,,,,,,,,,,,2,1.1,1.6,1", satellites_and_hdop), Some(None));
    }

    #[test]
    fn deviation_and_speed_are_read_or_missing() {
        let gst = "GPGST,213121.000,16.1,22.2,10.2,2.0,0.4,0.6,1.4";
        assert_eq!(of(gst, sigma_m), Some(Some(f64::from(0.6_f32))));
        assert_eq!(of("GPGST,213121.000,,,,,,,", sigma_m), Some(None));
        assert_eq!(of("GPVTG,,T,,M,0.04,N,0.07,K,A", speed_knots), Some(Some(f64::from(0.04_f32))));
        assert_eq!(of("GPVTG,,T,,M,,N,,K,N", speed_knots), Some(None));
        assert_eq!(of("GPVTG,x,T,,M,0.04,N,0.07,K,A", speed_knots), Some(None));
    }
}
