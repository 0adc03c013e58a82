package main

import (
	"context"
	"fmt"
	"log/slog"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/notify"
)

// subscriptions starts whoever calls the endpoints, if any host may be called,
// and tells the API to offer them. Wait for what it closes.
func (sv *service) subscriptions(ctx context.Context, hooks config.Hooks, options *api.Options, metrics *api.Metrics, logger *slog.Logger) error {
	sv.notified = make(chan struct{})
	if len(hooks.Hosts()) == 0 {
		close(sv.notified)
		return nil
	}
	fail := func(err error) error {
		close(sv.notified)
		return &badSetting{fmt.Errorf("TIDEMARK_SUBSCRIPTION_HOSTS: %w", err)}
	}
	networks, err := hooks.Networks()
	if err != nil {
		return fail(err)
	}
	policy, err := notify.NewPolicy(hooks.Hosts(), networks)
	if err != nil {
		return fail(err)
	}
	worker, err := notify.New(sv.store, notify.Options{
		Base: options.BaseURL, Policy: policy, Rights: api.SubscriptionRights{Base: options.BaseURL}, Logger: logger, Traces: options.Traces,
		Observe: func(c notify.Call) {
			metrics.Notified(c.Kind, string(c.Reason), c.Reason == notify.Accepted, c.Events, c.Took)
		},
	})
	if err != nil {
		return fail(err)
	}
	options.Subscriptions = &api.Subscriptions{Policy: policy, Kick: worker.Kick}
	wake := options.Kick
	options.Kick = func() {
		if wake != nil {
			wake()
		}
		worker.Kick()
	}
	go func() {
		defer close(sv.notified)
		worker.Run(ctx)
	}()
	return nil
}
