package metrics

import (
	"sort"
	"strconv"
	"strings"

	dto "github.com/prometheus/client_model/go"

	"fanwarden/config"
)

// pair makes a label. What is not UTF-8 in its value (a spreadsheet saved in
// an old code page) is replaced, because a scrape with such a label is refused
// as a whole. Quotes, backslashes and line ends need nothing here: the encoder
// escapes them.
func pair(name, value string) *dto.LabelPair {
	value = strings.ToValidUTF8(value, "\uFFFD")
	return &dto.LabelPair{Name: &name, Value: &value}
}

// sorted puts labels into the order of their names and drops empty ones, which
// to Prometheus are labels that are not there.
func sorted(labels ...*dto.LabelPair) []*dto.LabelPair {
	kept := make([]*dto.LabelPair, 0, len(labels))
	for _, l := range labels {
		if l.GetValue() != "" {
			kept = append(kept, l)
		}
	}
	sort.Slice(kept, func(i, j int) bool { return kept[i].GetName() < kept[j].GetName() })
	return kept
}

// described returns the labels of fanwarden_fan_info beside the fan's own two:
// what people group and filter by.
func described(f *config.Fan) []*dto.LabelPair {
	controls := "pressure"
	if f.ControlsAirflow {
		controls = "airflow"
	}
	return []*dto.LabelPair{
		pair("building_name", f.Building.Name),
		pair("controls", controls),
		pair("duty", string(f.Duty)),
		pair("gateway", string(f.Gateway.ID)),
		pair("group", f.Group),
		pair("life_safety", strconv.FormatBool(f.LifeSafety)),
		pair("location", f.Location),
		pair("name", f.Name),
		pair("pointmap", f.PointMap.Name),
		pair("probe", f.ProbeSide()),
		pair("role", string(f.Role)),
		pair("serves", f.Serves),
		pair("unit", strconv.Itoa(f.Unit)),
	}
}
