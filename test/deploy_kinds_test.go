package test_test

import (
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

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
	require.Equal(t, map[string]any{"maxUnavailable": 0, "maxSurge": 1}, d.at("spec", "strategy", "rollingUpdate"), "one comes before one goes")
	pod := object(d.at("spec", "template", "spec").(map[string]any))
	labels := d.at("spec", "template", "metadata", "labels")
	for _, selector := range []any{d.at("spec", "selector", "matchLabels"), all["Service/tidemark"].at("spec", "selector"), all["Service/tidemark-admin"].at("spec", "selector"),
		all["PodDisruptionBudget/tidemark"].at("spec", "selector", "matchLabels"), all["NetworkPolicy/tidemark"].at("spec", "podSelector", "matchLabels")} {
		require.Equal(t, labels, selector)
	}
	require.Equal(t, 1, all["PodDisruptionBudget/tidemark"].at("spec", "minAvailable"))
	require.Equal(t, "restricted", all["Namespace/tidemark"].at("metadata", "labels", "pod-security.kubernetes.io/enforce"))

	require.Equal(t, map[string]any{"runAsNonRoot": true, "runAsUser": 65532, "runAsGroup": 65532, "fsGroup": 65532, "seccompProfile": map[string]any{"type": "RuntimeDefault"}},
		pod.at("securityContext"), "the user of the image")
	require.Equal(t, false, pod.at("automountServiceAccountToken"))
	require.Greater(t, pod.at("terminationGracePeriodSeconds"), 20+pod.at("containers", 0, "lifecycle", "preStop", "sleep", "seconds").(int), "longer than a stop takes")
	c := object(pod.at("containers", 0).(map[string]any))
	require.Equal(t, map[string]any{"allowPrivilegeEscalation": false, "readOnlyRootFilesystem": true, "capabilities": map[string]any{"drop": []any{"ALL"}}}, c.at("securityContext"))
	for probe, path := range map[string]string{"readinessProbe": "/readyz", "livenessProbe": "/healthz", "startupProbe": "/healthz"} {
		require.Equal(t, map[string]any{"path": path, "port": "admin"}, c.at(probe, "httpGet"), probe)
	}
	require.GreaterOrEqual(t, c.at("startupProbe", "failureThreshold").(int)*c.at("startupProbe", "periodSeconds").(int), 300, "a migration may take its time")
	require.NotNil(t, c.at("resources", "limits", "memory"))

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

// TestKubernetesNetwork: ports are those that the settings serve, and each is reached by
// those alone who need it; out of the pod goes what the settings name.
func TestKubernetesNetwork(t *testing.T) {
	t.Parallel()
	all := kubernetes(t)
	settings := documents(t, filepath.Join(deploy, "kubernetes", "tidemark.yaml"))[0]
	ports := map[string]int{}
	for _, p := range all["Deployment/tidemark"].at("spec", "template", "spec", "containers", 0, "ports").([]any) {
		port := object(p.(map[string]any))
		ports[port.at("name").(string)] = port.at("containerPort").(int)
	}
	listens := func(setting string) int {
		_, port, err := net.SplitHostPort(settings.at(setting).(string))
		require.NoError(t, err)
		n, err := strconv.Atoi(port)
		require.NoError(t, err)
		return n
	}
	require.Equal(t, map[string]int{"fhir": listens("TIDEMARK_LISTEN"), "admin": listens("TIDEMARK_ADMIN_LISTEN")}, ports)
	require.Equal(t, []any{map[string]any{"name": "fhir", "port": 443, "targetPort": "fhir"}}, all["Service/tidemark"].at("spec", "ports"))
	require.Equal(t, []any{map[string]any{"name": "admin", "port": listens("TIDEMARK_ADMIN_LISTEN"), "targetPort": "admin"}}, all["Service/tidemark-admin"].at("spec", "ports"))

	policy := all["NetworkPolicy/tidemark"]
	require.Equal(t, []any{"Ingress", "Egress"}, policy.at("spec", "policyTypes"))
	from := func(namespace string) []any {
		return []any{map[string]any{"namespaceSelector": map[string]any{"matchLabels": map[string]any{"kubernetes.io/metadata.name": namespace}}}}
	}
	port := func(protocol string, port any) any { return map[string]any{"protocol": protocol, "port": port} }
	require.Equal(t, []any{
		map[string]any{"from": from("ingress"), "ports": []any{port("TCP", "fhir")}},
		map[string]any{"from": from("monitoring"), "ports": []any{port("TCP", "admin")}},
	}, policy.at("spec", "ingress"))
	database, err := url.Parse(settings.at("TIDEMARK_DATABASE").(string))
	require.NoError(t, err)
	databasePort, err := strconv.Atoi(database.Port())
	require.NoError(t, err)
	var out []any
	for _, rule := range policy.at("spec", "egress").([]any) {
		out = append(out, object(rule.(map[string]any)).at("ports"))
	}
	require.Equal(t, []any{[]any{port("UDP", 53), port("TCP", 53)}, []any{port("TCP", databasePort)}, []any{port("TCP", 443)}}, out)
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
	for _, name := range []string{"tidemark", "postgres"} {
		grace, err := time.ParseDuration(c.at("services", name, "stop_grace_period").(string))
		require.NoError(t, err)
		require.Greater(t, grace, 20*time.Second, "%s is let finish what it has begun", name)
	}
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
	require.Equal(t, []string{`["/var/lib/tidemark"]`}, all["VOLUME"], "what is kept outlives a container")
	require.Contains(t, all["ENV"], "TIDEMARK_DATABASE=/var/lib/tidemark/tidemark.db")
	require.Contains(t, all["COPY"], "--chown=65532:65532 empty /var/lib/tidemark", "and is the user's")
	require.Equal(t, []string{"tidemark /tidemark"}, all["COPY"][len(all["COPY"])-1:])
}

// TestUnits: the server runs as nobody in particular, and sees and writes what it must.
func TestUnits(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"tidemark.service", "tidemark-backup.service"} {
		u := unit(t, filepath.Join(deploy, "systemd", name))
		for setting, want := range map[string]string{"User": "tidemark", "CapabilityBoundingSet": "", "ProtectSystem": "strict", "UMask": "0077", "ProtectProc": "invisible", "ProcSubset": "pid",
			"SystemCallArchitectures": "native", "SystemCallErrorNumber": "EPERM"} {
			require.Equal(t, []string{want}, u["Service."+setting], "%s %s", name, setting)
		}
		for _, setting := range strings.Fields("NoNewPrivileges ProtectHome PrivateTmp PrivateDevices PrivateUsers ProtectHostname ProtectClock ProtectKernelTunables ProtectKernelModules " +
			"ProtectKernelLogs ProtectControlGroups RestrictNamespaces RestrictRealtime RestrictSUIDSGID LockPersonality MemoryDenyWriteExecute") {
			require.Equal(t, []string{"yes"}, u["Service."+setting], "%s %s", name, setting)
		}
		require.Equal(t, []string{"@system-service", "~@privileged @resources"}, u["Service.SystemCallFilter"], name)
	}
	backup := unit(t, filepath.Join(deploy, "systemd", "tidemark-backup.service"))
	require.Equal(t, []string{"yes"}, backup["Service.PrivateNetwork"], "a backup needs no network")
	require.Equal(t, []string{"none"}, backup["Service.RestrictAddressFamilies"])
	timer := unit(t, filepath.Join(deploy, "systemd", "tidemark-backup.timer"))
	require.Equal(t, []string{"*-*-* 02:30:00"}, timer["Timer.OnCalendar"], "every day")
	require.Equal(t, []string{"true"}, timer["Timer.Persistent"], "one that was missed is made up for")
	u := unit(t, filepath.Join(deploy, "systemd", "tidemark.service"))
	require.Equal(t, []string{"2"}, u["Service.RestartPreventExitStatus"], "a wrong setting is not cured by starting again")
	require.Equal(t, []string{"/usr/bin/tidemark serve --config /etc/tidemark/tidemark.yaml"}, u["Service.ExecStart"])
	require.Equal(t, []string{"tidemark"}, u["Service.StateDirectory"])
	require.Equal(t, []string{"0700"}, u["Service.StateDirectoryMode"])
	require.Equal(t, []string{"AF_INET AF_INET6 AF_UNIX"}, u["Service.RestrictAddressFamilies"])
	grace, err := strconv.Atoi(u["Service.TimeoutStopSec"][0])
	require.NoError(t, err)
	require.Greater(t, grace, 20, "it is let finish what it has begun")
	require.Contains(t, string(read(t, filepath.Join(deploy, "systemd", "tidemark.yaml"))), "TIDEMARK_DATABASE: /var/lib/tidemark/")
}
