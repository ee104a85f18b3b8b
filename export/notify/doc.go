// Package notify takes alarms out of the building: as signed JSON to webhooks
// and as e-mail.
//
// What happens to an alarm becomes a draft for each way that its severity and
// building let it take ([Post.Drafts]). Drafts wait for a moment, or until their
// way is open; then those that are still worth telling are put into words and
// grouped: an incident is one message, so are the fans behind one gateway, and a
// flood is one digest now and then ([Post.Compose]). A message is sent until its
// receiver has taken it ([Courier]), at least once, always with the same id.
//
// # Webhooks
//
// A webhook gets the JSON of a [Message] by POST. These headers come with it:
//
//	X-Fanwarden-Id         id of the message, the same at every attempt
//	X-Fanwarden-Time       when it is sent, in seconds since 1970
//	X-Fanwarden-Signature  sha256= and HMAC-SHA256 of id "." time "." body, in hex
//
// The key is what stands in the way's secret_file. A receiver computes the same,
// compares without leaking where they differ, refuses what was sent more than
// five minutes ago, and drops an id that it had before. Any 2xx means that the
// message was taken.
package notify
