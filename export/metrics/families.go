package metrics

import dto "github.com/prometheus/client_model/go"

// family is the place of a metric family in the output, which is in the order
// of the names.
type family int

// The families, in the order of their names.
const (
	airflow family = iota
	alarmAcknowledge
	alarmFlood
	alarmFloods
	alarms
	alarmsChattering
	alarmsFrequent
	alarmsRaised
	alarmsRecent
	alarmsStale
	buildInfo
	conditionActive
	reloadSucceededAt
	reloadSuccessful
	fanInfo
	fanMode
	fanUp
	gatewayLent
	gatewayUp
	highSpeedContact
	historyBytes
	historyDropped
	historyOldest
	historyUp
	notificationsPending
	cyclesMissed
	pollDuration
	pollDelay
	polls
	pressure
	readingAt
	setpointFlow
	setpointPressure
	speed
	storeUp
	familyCount int = iota
)

// families says what each family is, in base units.
var families = [familyCount]struct {
	name, help string
	kind       dto.MetricType
}{
	airflow: {"fanwarden_airflow_cubic_meters_per_second",
		"Airflow of the fan, in cubic meters per second.", dto.MetricType_GAUGE},
	alarmAcknowledge: {"fanwarden_alarm_acknowledge_seconds",
		"How long people took to acknowledge an alarm, in seconds: the quantiles of the last week, sum and count since the start.",
		dto.MetricType_SUMMARY},
	alarmFlood: {"fanwarden_alarm_flood",
		"1 while more alarms come than one person can take in: it begins above 10 in 10 minutes and ends below 5.", dto.MetricType_GAUGE},
	alarmFloods: {"fanwarden_alarm_floods",
		"Floods of alarms that began within the last week.", dto.MetricType_GAUGE},
	alarms: {"fanwarden_alarms",
		"Alarms by severity and state, those that are shelved, suppressed or of fans out of service too.", dto.MetricType_GAUGE},
	alarmsChattering: {"fanwarden_alarms_chattering",
		"Alarms that come and go too often to be told each time.", dto.MetricType_GAUGE},
	alarmsFrequent: {"fanwarden_alarms_frequent",
		"How often the conditions that were raised most often within the last week were, the ten first of them.", dto.MetricType_GAUGE},
	alarmsRaised: {"fanwarden_alarms_raised_total",
		"Alarms that people were to be told of, by severity.", dto.MetricType_COUNTER},
	alarmsRecent: {"fanwarden_alarms_recent",
		"Alarms that people were to be told of within the window; for one person about 6 in an hour are acceptable and 12 the most.",
		dto.MetricType_GAUGE},
	alarmsStale: {"fanwarden_alarms_stale",
		"Alarms that have stood for more than a day.", dto.MetricType_GAUGE},
	buildInfo: {"fanwarden_build_info",
		"Always 1; its labels name the version of the daemon and of the Go that built it.", dto.MetricType_GAUGE},
	conditionActive: {"fanwarden_condition_active",
		"1 while the condition stands, 0 while it does not or another one explains it; no series while it cannot be judged.",
		dto.MetricType_GAUGE},
	reloadSucceededAt: {"fanwarden_config_last_reload_success_timestamp_seconds",
		"When the fleet file was last loaded without a fault, in seconds since 1970.", dto.MetricType_GAUGE},
	reloadSuccessful: {"fanwarden_config_last_reload_successful",
		"1 if the last attempt to load the fleet file succeeded.", dto.MetricType_GAUGE},
	fanInfo: {"fanwarden_fan_info",
		"Always 1; its labels are what the fleet file says of the fan.", dto.MetricType_GAUGE},
	fanMode: {"fanwarden_fan_mode",
		"What the fan is doing: 1 for the mode it is in, 0 for every other.", dto.MetricType_GAUGE},
	fanUp: {"fanwarden_fan_up",
		"1 if the fan's controller answered its last poll.", dto.MetricType_GAUGE},
	gatewayLent: {"fanwarden_gateway_lent",
		"1 while the gateway is lent to a turnover and is not polled; its fans have no readings then.", dto.MetricType_GAUGE},
	gatewayUp: {"fanwarden_gateway_up",
		"1 if the gateway, or something behind it, answered in its last cycle.", dto.MetricType_GAUGE},
	highSpeedContact: {"fanwarden_high_speed_contact",
		"1 while the high-speed contact is closed, 0 while it is open.", dto.MetricType_GAUGE},
	historyBytes: {"fanwarden_history_bytes",
		"Bytes on disk of the readings that are kept, as of the last minute.", dto.MetricType_GAUGE},
	historyDropped: {"fanwarden_history_dropped_total",
		"Readings that were not kept: the disk was slow or down (full), or their time was taken, too old or far ahead (order).", dto.MetricType_COUNTER},
	historyOldest: {"fanwarden_history_oldest_timestamp_seconds",
		"Time of the oldest reading that is kept, in seconds since 1970.", dto.MetricType_GAUGE},
	historyUp: {"fanwarden_history_up",
		"1 while readings can be kept; no series where none are to be.", dto.MetricType_GAUGE},
	notificationsPending: {"fanwarden_notifications_pending",
		"Messages that are still to be delivered.", dto.MetricType_GAUGE},
	cyclesMissed: {"fanwarden_poll_cycles_missed_total",
		"Poll cycles that did not start because the one before took too long.", dto.MetricType_COUNTER},
	pollDuration: {"fanwarden_poll_duration_seconds",
		"How long one cycle over all fans of the gateway took, in seconds.", dto.MetricType_HISTOGRAM},
	pollDelay: {"fanwarden_poll_start_delay_seconds",
		"How late cycles of all gateways started, in seconds: what this machine was busy with.", dto.MetricType_HISTOGRAM},
	polls: {"fanwarden_polls_total",
		"Polls of fans by how they ended, one for each reading of a fan.", dto.MetricType_COUNTER},
	pressure: {"fanwarden_pressure_pascals",
		"Pressure at the fan's probe, in pascals.", dto.MetricType_GAUGE},
	readingAt: {"fanwarden_reading_timestamp_seconds",
		"When the last good reading of the fan was taken, in seconds since 1970.", dto.MetricType_GAUGE},
	setpointFlow: {"fanwarden_setpoint_cubic_meters_per_second",
		"Airflow that the fan is to hold, in cubic meters per second.", dto.MetricType_GAUGE},
	setpointPressure: {"fanwarden_setpoint_pascals",
		"Pressure that the fan is to hold, in pascals.", dto.MetricType_GAUGE},
	speed: {"fanwarden_speed_ratio",
		"Speed that the fan's controller commands, 1 being full speed.", dto.MetricType_GAUGE},
	storeUp: {"fanwarden_store_up",
		"1 while what must outlive the daemon can be written; no series where the fleet file gives no folder.", dto.MetricType_GAUGE},
}
