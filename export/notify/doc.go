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
// five minutes ago, and drops an id that it had before. In Python:
//
//	def genuine(headers, body, secret):  # body and secret as bytes
//	    sent = headers["X-Fanwarden-Time"]
//	    signed = f'{headers["X-Fanwarden-Id"]}.{sent}.'.encode() + body
//	    want = "sha256=" + hmac.new(secret, signed, hashlib.sha256).hexdigest()
//	    return (hmac.compare_digest(want, headers["X-Fanwarden-Signature"])
//	            and abs(time.time() - int(sent)) < 300)
//
// Any 2xx means that the message was taken. 400, 409, 413 and 422 speak of that
// message alone, which is tried for a day; after any other answer, and after none,
// the way waits (as long as Retry-After says, at most an hour) and nothing is given
// up. A redirect is followed within one host and only where it keeps the body (307
// and 308).
//
// # E-mail
//
// Every recipient gets a letter of its own, so that one who is refused keeps it
// from no other. Whom the server refuses for good, while it takes others, is left
// out and told in the log; whom it puts off is tried for five days.
package notify
