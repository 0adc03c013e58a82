package test_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// kubernetes reads the resources that the kustomization names, by kind and name.
func kubernetes(t *testing.T) map[string]object {
	t.Helper()
	all := map[string]object{}
	dir := filepath.Join(deploy, "kubernetes")
	customised := documents(t, filepath.Join(dir, "kustomization.yaml"))[0]
	listed := []string{"kustomization.yaml", "tidemark.yaml"}
	for _, file := range customised.at("resources").([]any) {
		listed = append(listed, file.(string))
		for _, resource := range documents(t, filepath.Join(dir, file.(string))) {
			all[resource.at("kind").(string)+"/"+resource.at("metadata", "name").(string)] = resource
		}
	}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		require.Contains(t, listed, e.Name(), "a file that nobody applies")
	}
	require.Equal(t, "tidemark.yaml", customised.at("configMapGenerator", 0, "files", 0))
	return all
}

// TestKubernetes: two replicas that are replaced one by one, that may do nothing they
// need not, and that find their secrets in files.
func TestKubernetes(t *testing.T) {
	t.Parallel()
	all := kubernetes(t)
	d := all["Deployment/tidemark"]
	require.Equal(t, 2, d.at("spec", "replicas"))
	require.Equal(t, 0, d.at("spec", "strategy", "rollingUpdate", "maxUnavailable"))
	pod := object(d.at("spec", "template", "spec").(map[string]any))
	labels := d.at("spec", "template", "metadata", "labels")
	for _, selector := range []any{d.at("spec", "selector", "matchLabels"), all["Service/tidemark"].at("spec", "selector"), all["Service/tidemark-admin"].at("spec", "selector"),
		all["PodDisruptionBudget/tidemark"].at("spec", "selector", "matchLabels"), all["NetworkPolicy/tidemark"].at("spec", "podSelector", "matchLabels")} {
		require.Equal(t, labels, selector)
	}
	require.Equal(t, 1, all["PodDisruptionBudget/tidemark"].at("spec", "minAvailable"))
	require.Equal(t, "restricted", all["Namespace/tidemark"].at("metadata", "labels", "pod-security.kubernetes.io/enforce"))

	require.Equal(t, true, pod.at("securityContext", "runAsNonRoot"))
	require.Equal(t, "RuntimeDefault", pod.at("securityContext", "seccompProfile", "type"))
	require.Equal(t, false, pod.at("automountServiceAccountToken"))
	require.Greater(t, pod.at("terminationGracePeriodSeconds"), 20+pod.at("containers", 0, "lifecycle", "preStop", "sleep", "seconds").(int), "longer than a stop takes")
	c := object(pod.at("containers", 0).(map[string]any))
	require.Equal(t, map[string]any{"allowPrivilegeEscalation": false, "readOnlyRootFilesystem": true, "capabilities": map[string]any{"drop": []any{"ALL"}}}, c.at("securityContext"))
	for probe, path := range map[string]string{"readinessProbe": "/readyz", "livenessProbe": "/healthz", "startupProbe": "/healthz"} {
		require.Equal(t, map[string]any{"path": path, "port": "admin"}, c.at(probe, "httpGet"), probe)
	}
	require.NotNil(t, c.at("resources", "limits", "memory"))
	require.Equal(t, []any{"Ingress", "Egress"}, all["NetworkPolicy/tidemark"].at("spec", "policyTypes"))

	mounts := map[string]string{}
	for _, m := range c.at("volumeMounts").([]any) {
		mount := object(m.(map[string]any))
		require.Equal(t, true, mount.at("readOnly"))
		mounts[mount.at("name").(string)] = mount.at("mountPath").(string)
	}
	for _, v := range pod.at("volumes").([]any) {
		volume := object(v.(map[string]any))
		if volume.at("secret") != nil {
			require.Equal(t, 0o440, volume.at("secret", "defaultMode"), "owner and group only")
		}
	}
	settings := string(read(t, filepath.Join(deploy, "kubernetes", "tidemark.yaml"))) + c.at("env", 0, "value").(string)
	for _, file := range regexp.MustCompile(`/run/secrets/\S+`).FindAllString(settings, -1) {
		dir := filepath.Dir(strings.TrimRight(file, "}"))
		require.Contains(t, []string{mounts["secrets"], mounts["tls"]}, dir, file)
	}
	for name, resource := range all {
		require.NotEqual(t, "Secret", resource.at("kind"), "%s: secrets are made from files, and not kept here", name)
		require.NotContains(t, name, "ConfigMap", "the generator makes it")
	}
	for _, e := range c.at("env").([]any) {
		require.Equal(t, "PGPASSFILE", object(e.(map[string]any)).at("name"), "no secret is in the environment")
	}
}

// TestCompose: the same of the compose file.
func TestCompose(t *testing.T) {
	t.Parallel()
	c := documents(t, filepath.Join(deploy, "compose", "compose.yaml"))[0]
	service := object(c.at("services", "tidemark").(map[string]any))
	require.Equal(t, true, service.at("read_only"))
	require.Equal(t, "65532:65532", service.at("user"))
	require.Equal(t, []any{"ALL"}, service.at("cap_drop"))
	require.Equal(t, []any{"no-new-privileges:true"}, service.at("security_opt"))
	require.Equal(t, []any{"CMD", "/tidemark", "healthcheck"}, service.at("healthcheck", "test").([]any)[:3])
	require.Equal(t, "service_healthy", service.at("depends_on", "postgres", "condition"))
	require.Equal(t, true, c.at("networks", "data", "internal"))
	require.Nil(t, c.at("services", "postgres", "ports"), "PostgreSQL is reached from nowhere else")
	for _, port := range service.at("ports").([]any) {
		require.True(t, strings.HasSuffix(port.(string), ":8443") || strings.HasPrefix(port.(string), "127.0.0.1:"), "%s", port)
	}
	for name, secret := range c.at("secrets").(map[string]any) {
		require.Equal(t, "./secrets/"+name, object(secret.(map[string]any)).at("file"))
	}
	var used []string
	for _, s := range service.at("secrets").([]any) {
		require.NotNil(t, c.at("secrets", s.(string)))
		used = append(used, "/run/secrets/"+s.(string))
	}
	settings := string(read(t, filepath.Join(deploy, "compose", "tidemark.yaml"))) + service.at("environment", "PGPASSFILE").(string)
	for _, file := range regexp.MustCompile(`/run/secrets/\S+`).FindAllString(settings, -1) {
		require.True(t, slices.Contains(used, file), file)
	}
	require.Equal(t, "/run/secrets/postgres-password", c.at("services", "postgres", "environment", "POSTGRES_PASSWORD_FILE"))
}

// TestContainerfile: nothing in the image but the program and what it needs, and not run
// by root.
func TestContainerfile(t *testing.T) {
	t.Parallel()
	all := map[string][]string{}
	for _, each := range instructions(t, filepath.Join(deploy, "container", "Containerfile")) {
		all[each[0]] = append(all[each[0]], each[1])
	}
	require.Equal(t, []string{"scratch"}, all["FROM"])
	require.Equal(t, []string{"65532:65532"}, all["USER"])
	require.Len(t, all["HEALTHCHECK"], 1)
	require.True(t, strings.HasSuffix(all["HEALTHCHECK"][0], `CMD ["/tidemark", "healthcheck"]`), "there is no shell")
	require.Equal(t, []string{`["/tidemark"]`}, all["ENTRYPOINT"])
	require.Equal(t, []string{`["serve"]`}, all["CMD"])
	require.Equal(t, []string{"tidemark /tidemark"}, all["COPY"][len(all["COPY"])-1:])
}

// TestUnits: the server runs as nobody in particular, and sees and writes what it must.
func TestUnits(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"tidemark.service", "tidemark-backup.service"} {
		u := unit(t, filepath.Join(deploy, "systemd", name))
		for setting, want := range map[string]string{"User": "tidemark", "NoNewPrivileges": "yes", "CapabilityBoundingSet": "", "ProtectSystem": "strict", "PrivateUsers": "yes",
			"PrivateDevices": "yes", "MemoryDenyWriteExecute": "yes", "UMask": "0077", "RestrictNamespaces": "yes"} {
			require.Equal(t, []string{want}, u["Service."+setting], "%s %s", name, setting)
		}
	}
	u := unit(t, filepath.Join(deploy, "systemd", "tidemark.service"))
	require.Equal(t, []string{"2"}, u["Service.RestartPreventExitStatus"], "a wrong setting is not cured by starting again")
	require.Equal(t, []string{"/usr/bin/tidemark serve --config /etc/tidemark/tidemark.yaml"}, u["Service.ExecStart"])
	require.Equal(t, []string{"tidemark"}, u["Service.StateDirectory"])
	require.Contains(t, string(read(t, filepath.Join(deploy, "systemd", "tidemark.yaml"))), "TIDEMARK_DATABASE: /var/lib/tidemark/")
}
