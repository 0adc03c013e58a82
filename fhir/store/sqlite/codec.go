package sqlite

import "tidemark.example/tidemark/fhir/store/pack"

// codec packs bodies, and reads rows that hold them.
type codec struct{ *pack.Codec }

// newCodec makes a codec for the bodies of resources.
func newCodec() (*codec, error) { return codecOf(pack.New()) }

// newAuditCodec makes a codec for AuditEvents.
func newAuditCodec() (*codec, error) { return codecOf(pack.NewAudits()) }

func codecOf(packs *pack.Codec, err error) (*codec, error) {
	if err != nil {
		return nil, err
	}
	return &codec{packs}, nil
}
