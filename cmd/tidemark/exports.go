package main

import (
	"context"
	"fmt"
	"log/slog"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/config/watch"
	"tidemark.example/tidemark/fhir/export"
)

// exports starts whoever prepares bulk exports, and tells the API to offer them.
// Wait for what it closes.
func (sv *service) exports(ctx context.Context, settings config.Exports, options *api.Options, metrics *api.Metrics, logger *slog.Logger) error {
	worker := export.New(sv.store, export.Options{
		Line:   api.ExportLines{Store: sv.store, Base: options.BaseURL}.Line,
		Logger: logger, Observe: metrics.Exported,
	})
	options.Exports = &api.Exports{Kick: worker.Kick}
	options.Exports.Keep, options.Exports.Most = settings.ExportLimits()
	if file := settings.ExportGroups; file != "" {
		groups, err := watch.New(func() (map[string][]string, error) { return config.ReadGroups(file) }, nil, file)
		if err != nil {
			return &badSetting{fmt.Errorf("TIDEMARK_EXPORT_GROUPS: %w", err)}
		}
		options.Exports.Groups = func(id string) ([]string, bool, error) {
			// Whoever was taken out must not be exported since the file was broken after it.
			latest, _, err := groups.Latest()
			members, known := latest[id]
			return members, known, err
		}
	}
	sv.exported = make(chan struct{})
	go func() {
		defer close(sv.exported)
		worker.Run(ctx)
	}()
	return nil
}
