package bacnet

import (
	"bytes"
	"encoding/hex"
	"net/netip"
	"reflect"
	"strings"
	"testing"
)

// wire turns annotated frames into bytes: blanks part fields.
func wire(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func analogInput(n uint32, p PropertyID) Reference {
	return Reference{Object: ObjectID{AnalogInput, n}, Property: p}
}

// both checks an APDU against its bytes, out and in.
func both[T any](t *testing.T, frame string, a APDU, data T, parse func([]byte) (T, error)) {
	t.Helper()
	want := wire(t, frame)
	if got := a.Append(nil); !bytes.Equal(got, want) {
		t.Errorf("written\n%X, want\n%X", got, want)
	}
	back, err := ParseAPDU(want)
	if err != nil || !reflect.DeepEqual(back, a) {
		t.Errorf("taken apart %+v, %v, want %+v", back, err, a)
	}
	if got, err := parse(back.Data); err != nil || !reflect.DeepEqual(got, data) {
		t.Errorf("data %+v, %v, want %+v", got, err, data)
	}
}

// The frames of ANSI/ASHRAE 135, Annex F.
func TestReadPropertyAsInAnnexF(t *testing.T) {
	ask := analogInput(5, PresentValue)
	both(t, `00 00 01 0C   0C 00000005   19 55`, // request, 50 bytes, invoke 1, service 12; [0] AI 5; [1] 85
		APDU{Type: ConfirmedRequest, InvokeID: 1, Service: ServiceReadProperty, Data: AppendReadProperty(nil, ask)}, ask, ParseReadProperty)
	answer := Result{Reference: ask, Values: []Value{RealValue(72.3)}}
	both(t, `30 01 0C   0C 00000005   19 55   3E 44 4290999A 3F`, // ack; [0] AI 5; [1] 85; [3] { Real 72.3 }
		APDU{Type: ComplexAck, InvokeID: 1, Service: ServiceReadProperty, Data: AppendReadPropertyAck(nil, answer)}, answer, ParseReadPropertyAck)
}

func TestReadPropertyMultipleAsInAnnexF(t *testing.T) {
	one := []Reference{analogInput(16, PresentValue), analogInput(16, ReliabilityOf)}
	both(t, `00 04 F1 0E   0C 00000010   1E 09 55 09 67 1F`, // 1024 bytes, invoke 241, service 14; AI 16 { 85, 103 }
		APDU{Type: ConfirmedRequest, MaxAPDU: 4, InvokeID: 241, Service: ServiceReadPropertyMultiple,
			Data: AppendReadPropertyMultiple(nil, one)}, one, ParseReadPropertyMultiple)
	got := []Result{{Reference: one[0], Values: []Value{RealValue(72.3)}}, {Reference: one[1], Values: []Value{EnumeratedValue(0)}}}
	both(t, `30 F1 0E   0C 00000010   1E 29 55 4E 44 4290999A 4F   29 67 4E 91 00 4F 1F`,
		APDU{Type: ComplexAck, InvokeID: 241, Service: ServiceReadPropertyMultiple, Data: AppendReadPropertyMultipleAck(nil, got)},
		got, ParseReadPropertyMultipleAck)
}

func TestOneBadObjectOfAMultipleReadAsInAnnexF(t *testing.T) {
	ask := []Reference{analogInput(33, PresentValue), analogInput(50, PresentValue), analogInput(35, PresentValue)}
	both(t, `00 04 02 0E   0C 00000021 1E 09 55 1F   0C 00000032 1E 09 55 1F   0C 00000023 1E 09 55 1F`,
		APDU{Type: ConfirmedRequest, MaxAPDU: 4, InvokeID: 2, Service: ServiceReadPropertyMultiple,
			Data: AppendReadPropertyMultiple(nil, ask)}, ask, ParseReadPropertyMultiple)
	got := []Result{{Reference: ask[0], Values: []Value{RealValue(42.3)}}, {Reference: ask[1], Err: &RemoteError{1, 31}},
		{Reference: ask[2], Values: []Value{RealValue(435.7)}}}
	both(t, `30 02 0E   0C 00000021 1E 29 55 4E 44 4229 3333 4F 1F
		0C 00000032 1E 29 55 5E 91 01 91 1F 5F 1F  0C 00000023 1E 29 55 4E 44 43D9D99A 4F 1F`, // 5E: error, class 1, code 31
		APDU{Type: ComplexAck, InvokeID: 2, Service: ServiceReadPropertyMultiple, Data: AppendReadPropertyMultipleAck(nil, got)},
		got, ParseReadPropertyMultipleAck)
}

func TestWhoIsAndIAmAsInAnnexF(t *testing.T) {
	both(t, `10 08`, APDU{Type: UnconfirmedRequest, Service: ServiceWhoIs}, WhoIs{}, ParseWhoIs)
	three := WhoIs{true, 3, 3}
	both(t, `10 08   09 03   19 03`, APDU{Type: UnconfirmedRequest, Service: ServiceWhoIs, Data: three.Append(nil)}, three, ParseWhoIs)
	i := IAm{Instance: 3, MaxAPDU: 1024, Segmentation: NoSegmentation, Vendor: 99}
	both(t, `10 00   C4 02000003   22 0400   91 03   21 63`, // device 3; 1024; no segmentation; vendor 99
		APDU{Type: UnconfirmedRequest, Service: ServiceIAm, Data: i.Append(nil)}, i, ParseIAm)
}

func TestChangesOfValueAsInAnnexF(t *testing.T) {
	s := SubscribeCOV{Process: 18, Object: ObjectID{AnalogInput, 10}, Confirmed: true}
	both(t, `00 02 0F 05   09 12   1C 0000000A   29 01   39 00`, // 206 bytes, invoke 15; process 18; AI 10; confirmed; for ever
		APDU{Type: ConfirmedRequest, MaxAPDU: 2, InvokeID: 15, Service: ServiceSubscribeCOV, Data: s.Append(nil)}, s, ParseSubscribeCOV)
	ack := APDU{Type: SimpleAck, InvokeID: 15, Service: ServiceSubscribeCOV}
	if got := ack.Append(nil); !bytes.Equal(got, wire(t, `20 0F 05`)) {
		t.Errorf("%X", got)
	}
	n := COVNotification{Process: 18, Device: ObjectID{DeviceObject, 4}, Object: ObjectID{AnalogInput, 10},
		Values: []Result{{Reference: analogInput(10, PresentValue), Values: []Value{RealValue(65)}},
			{Reference: analogInput(10, StatusFlagsOf), Values: []Value{FlagsValue(StatusFlags{})}}}}
	both(t, `10 02   09 12   1C 02000004   2C 0000000A   39 00
		4E 09 55 2E 44 42820000 2F   09 6F 2E 82 0400 2F 4F`, // process 18, device 4, AI 10; 85: 65.0; 111: four bits, none set
		APDU{Type: UnconfirmedRequest, Service: ServiceUnconfirmedCOV, Data: n.Append(nil)}, n, ParseCOVNotification)
}

// ANSI/ASHRAE 135, Annex J.2: type, function, length with its own four bytes;
// then clause 6.2: version, control (destination), network, length of the
// address, hop count.
func TestGlobalWhoIs(t *testing.T) {
	want := wire(t, `81 0B 000C   01 20 FFFF 00 FF   10 08`)
	npdu := NPDU{Destination: EveryNetwork, HopCount: 255, Data: APDU{Type: UnconfirmedRequest, Service: ServiceWhoIs}.Append(nil)}
	if got := (BVLC{Function: OriginalBroadcastNPDU, Data: npdu.Append(nil)}).Append(nil); !bytes.Equal(got, want) {
		t.Errorf("%X", got)
	}
	m, err := ParseBVLC(want)
	if err != nil || m.Function != OriginalBroadcastNPDU {
		t.Fatal(m, err)
	}
	if back, err := ParseNPDU(m.Data); err != nil || !reflect.DeepEqual(back, npdu) {
		t.Errorf("%+v, %v", back, err)
	}
}

func TestAForwardedMessageNamesItsOrigin(t *testing.T) {
	m := BVLC{Function: ForwardedNPDU, Origin: netip.MustParseAddrPort("10.20.3.20:47808"), Data: []byte{1, 0}}
	want := wire(t, `81 04 000C   0A140314 BAC0   01 00`)
	if got := m.Append(nil); !bytes.Equal(got, want) {
		t.Errorf("%X", got)
	}
	if back, err := ParseBVLC(want); err != nil || !reflect.DeepEqual(back, m) {
		t.Errorf("%+v %v", back, err)
	}
}

// ANSI/ASHRAE 135, clause 12 and BACnetStatusFlags: the first bit is in-alarm.
func TestStatusFlagsAreFourThings(t *testing.T) {
	for i, want := range []StatusFlags{{InAlarm: true}, {Fault: true}, {Overridden: true}, {OutOfService: true}} {
		v := Value{BitString, []byte{4, 0x80 >> i}}
		if got, ok := v.Flags(); !ok || got != want {
			t.Errorf("bit %d: %+v %v", i, got, ok)
		}
		if back := FlagsValue(want); !reflect.DeepEqual(back, v) {
			t.Errorf("%+v", back)
		}
	}
	if _, ok := RealValue(1).Flags(); ok {
		t.Error("a number has flags")
	}
}

func TestUnitsHaveTheNamesOfFleetFiles(t *testing.T) {
	for number, want := range map[EngineeringUnits]string{53: "Pa", 58: "inH2O", 84: "cfm", 87: "L/s", 98: "%", 95: ""} {
		if got, ok := number.Name(); !ok || got != want {
			t.Errorf("%d: %q", number, got)
		}
	}
	if _, ok := EngineeringUnits(9999).Name(); ok {
		t.Error("a unit that is none")
	}
}
